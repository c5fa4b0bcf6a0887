"""Where readings come from. Every source is one file; its driver is imported when it is opened."""
