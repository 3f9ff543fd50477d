"""What becomes of a print on its way to a file, where files land, and room on the disk."""
