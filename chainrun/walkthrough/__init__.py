"""A mix step by step, to teach from: every stem raw, behind each step, in its bus and in the mix."""
