"""A mix step by step, to teach from: every stem raw, after each step, in its bus and in the mix."""
