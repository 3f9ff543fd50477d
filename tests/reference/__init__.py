"""Slow, obvious twins of the kernels: one loop over samples each, written apart from the fast ones."""
