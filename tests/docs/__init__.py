"""Generated pages and their examples."""
