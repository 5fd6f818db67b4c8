"""From a trip's legs to a timed drive: the road chosen, its days, where the car is when and in what air."""
