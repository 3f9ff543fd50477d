"""Mix recipes as regression tests: a baseline, what has moved since, and what a recipe expects."""
