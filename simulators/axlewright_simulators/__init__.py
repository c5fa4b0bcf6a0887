"""Trucks that do not exist: physics with faults and a known truth."""
