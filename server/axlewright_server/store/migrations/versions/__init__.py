"""One file per step; a step is never edited once released."""
