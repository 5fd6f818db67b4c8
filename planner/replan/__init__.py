"""Planning on from where the car is: the point on the route, the trip cut to what is left, what changed."""
