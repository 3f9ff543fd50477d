"""Walkthroughs: each step of a mix, in words and sound."""
