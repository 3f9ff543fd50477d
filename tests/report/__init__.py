"""Pages: what they show is what was measured, and nothing in them harms a reader."""
