"""What every processor promises, over every processor."""
