"""What differs between two sounds: residual, bands, loudness, image, in time; and a sentence about it."""
