"""Closed course or hill: laps, stints and cooling until a margin is thin."""
