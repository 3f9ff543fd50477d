"""Pure kernels on NumPy and SciPy, one subject a file.

They know no recipe; state goes in and comes out; their slow twins stand in tests/reference/.
"""
