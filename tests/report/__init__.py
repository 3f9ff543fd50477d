"""Pages show the measured numbers, and nothing in them harms a reader."""
