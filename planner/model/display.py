"""Display units: US or metric, set by the trip; SI internally."""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", float, npt.NDArray[np.float64])


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """Scales and names of one set of display units."""

    distance: str
    metres: float
    elevation: str
    elevation_metres: float
    speed: str
    metres_per_s: float
    temperature: str
    kelvin_per_degree: float
    zero_k: float
    fuel: str
    litres: float

    def dist(self, metres: Number) -> Number:
        """Distance in display units."""
        return metres / self.metres

    def height(self, metres: Number) -> Number:
        """Elevation or climb in display units."""
        return metres / self.elevation_metres

    def pace(self, m_per_s: Number) -> Number:
        """Speed in display units."""
        return m_per_s / self.metres_per_s

    def temp(self, kelvin: Number) -> Number:
        """Temperature in display units.

        >>> US.temp(373.15), METRIC.temp(373.15)
        (212.0, 100.0)
        """
        return (kelvin - 273.15) / self.kelvin_per_degree + self.zero_k

    def diff(self, kelvin: Number) -> Number:
        """Temperature difference in display units.

        >>> US.diff(5.0), METRIC.diff(5.0)
        (9.0, 5.0)
        """
        return kelvin / self.kelvin_per_degree


US = Units(
    distance="mi",
    metres=1609.344,
    elevation="ft",
    elevation_metres=0.3048,
    speed="mph",
    metres_per_s=0.44704,
    temperature="°F",
    kelvin_per_degree=5.0 / 9.0,
    zero_k=32.0,
    fuel="gal",
    litres=3.785411784,
)
METRIC = Units(
    distance="km",
    metres=1000.0,
    elevation="m",
    elevation_metres=1.0,
    speed="km/h",
    metres_per_s=1.0 / 3.6,
    temperature="°C",
    kelvin_per_degree=1.0,
    zero_k=0.0,
    fuel="L",
    litres=1.0,
)


def units_of(name: str) -> Units:
    """Display units of the trip's setting."""
    return US if name == "us" else METRIC


def economy(units: Units, metres: float, litres: float) -> str:
    """Format fuel economy in the usual form of the units.

    >>> economy(US, 160934.4, 18.92705892), economy(METRIC, 100e3, 8.0)
    ('20.0 mpg', '8.0 L/100 km')
    """
    if units.fuel == "gal":
        return f"{units.dist(metres) / (litres / units.litres):.1f} mpg"
    return f"{litres / units.litres / (metres / 1e5):.1f} L/100 km"


def counted(count: int, word: str) -> str:
    """Format a count with its noun.

    >>> counted(1, "leg"), counted(1200, "leg")
    ('1 leg', '1,200 legs')
    """
    return f"{count:,} {word}" + ("" if count == 1 else "s")
