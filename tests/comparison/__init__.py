"""Two sounds side by side: their differences, and whether they are audible."""
