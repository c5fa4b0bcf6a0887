"""The steps from an older data file to today's, run whenever a store is opened."""
