"""Health assessment: from standing symptoms to likely causes, what speaks for and against them, and what to check."""
