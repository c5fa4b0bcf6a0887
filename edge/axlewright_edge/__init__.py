"""What runs on the truck: sources, windows, the outbox and the link to the office."""
