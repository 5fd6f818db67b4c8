"""Who says how hot it will be, and when in the day."""
