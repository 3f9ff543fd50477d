"""Signal-processing kernels on NumPy and SciPy, one subject per file.

They know nothing of recipes, and take and return their state. tests/reference/ has a slow twin of each.
"""
