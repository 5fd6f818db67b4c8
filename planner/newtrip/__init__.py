"""Making a trip folder from a track: cuts, place names, filled values, assumptions."""
