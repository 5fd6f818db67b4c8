"""A trip folder made from a track: where it is cut, what its places are called, what is filled in and assumed."""
