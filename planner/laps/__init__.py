"""A closed course or hill: laps, stints and cooling, before a fluid or the brakes are thin."""
