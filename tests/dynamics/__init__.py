"""The rest of the dynamics: expander, hits, dynamic eq, split, true-peak limiter, the compressor's options."""
