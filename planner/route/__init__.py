"""From a trip's legs to a timed drive: choice of road, split into days, position and air over time."""
