"""What every folder shares: the trip as frozen types, clock, geometry, display units, errors."""
