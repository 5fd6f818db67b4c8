"""Learning from logs: matching to the road, fit, review."""
