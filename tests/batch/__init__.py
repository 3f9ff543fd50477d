"""Batches: jobs at night, their results in the morning, and a cluster on loopback."""
