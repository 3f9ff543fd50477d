"""Batches: jobs by night, what is found in the morning, and a cluster on loopback."""
