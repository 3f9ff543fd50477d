"""Compares two sounds: residual, bands, loudness, image, changes over time; and a sentence about the difference."""
