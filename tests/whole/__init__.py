"""The whole program: README, demo, strangers, failing writes, odd places."""
