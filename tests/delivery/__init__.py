"""From a print to a file: levels, formats, places, and space on the disk."""
