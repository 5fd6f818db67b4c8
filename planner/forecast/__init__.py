"""The forecast: the timed drive run through the thermal model."""
