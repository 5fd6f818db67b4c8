"""The forecast: the timed drive put through the thermal model."""
