"""Walkthroughs: each step of a mix, told and heard."""
