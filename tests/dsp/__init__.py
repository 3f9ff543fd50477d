"""Kernels against published values, closed forms and slow twins."""
