"""Heat made, stored and lost by one car on one timed drive. Floats in SI; no clock, no network."""
