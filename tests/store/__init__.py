"""The store keeps prints, workers make them, and nothing is ever lost, mixed up or half-written."""
