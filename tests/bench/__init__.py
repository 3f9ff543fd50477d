"""Benchmarks: each prints nanoseconds a frame and a ratio to the same loop compiled, both of one run.

    python -m tests.bench

They run with OPENBLAS_CORETYPE and OPENBLAS_L2_SIZE unset and one BLAS thread. They are no tests: machines are
noisy, and only the ratio of one run means something.
"""
