"""Display units: US or metric, chosen by the trip; SI stays inside."""

import re
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", float, npt.NDArray[np.float64])
# What a terminal would obey (escape sequences, returns), what turns the direction of writing, halves of characters.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def printable(text: str) -> str:
    r"""Replace what acts on a terminal, a calendar or an XML reader instead of being shown.

    Parameters
    ----------
    text : str
        Any text, perhaps from a stranger's trip folder. [-]

    Returns
    -------
    str
        The same text with U+FFFD in place of each such character; line ends and tabs stay.

    Examples
    --------
    >>> printable("pass\x1b[2J & \u202ekcab")
    'pass\ufffd[2J & \ufffdkcab'
    """
    return _UNPRINTABLE.sub("\ufffd", text)


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
        """Distance to show.

        Parameters
        ----------
        metres : float
            Distance. [m]

        Returns
        -------
        float
            In `distance`.
        """
        return metres / self.metres

    def height(self, metres: Number) -> Number:
        """Elevation or climb to show.

        Parameters
        ----------
        metres : float
            Height. [m]

        Returns
        -------
        float
            In `elevation`.
        """
        return metres / self.elevation_metres

    def pace(self, m_per_s: Number) -> Number:
        """Speed to show.

        Parameters
        ----------
        m_per_s : float
            Speed. [m/s]

        Returns
        -------
        float
            In `speed`.
        """
        return m_per_s / self.metres_per_s

    def temp(self, kelvin: Number) -> Number:
        """Temperature to show.

        Parameters
        ----------
        kelvin : float
            Absolute temperature. [K]

        Returns
        -------
        float
            In `temperature`.

        Examples
        --------
        >>> US.temp(373.15), METRIC.temp(373.15)
        (212.0, 100.0)
        """
        return (kelvin - 273.15) / self.kelvin_per_degree + self.zero_k

    def diff(self, kelvin: Number) -> Number:
        """Temperature difference to show.

        Parameters
        ----------
        kelvin : float
            Difference. [K]

        Returns
        -------
        float
            In degrees of `temperature`.

        Examples
        --------
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
    """Display units by the trip's setting.

    Parameters
    ----------
    name : str
        `us` or `metric`. [-]

    Returns
    -------
    Units
        The set.
    """
    return US if name == "us" else METRIC
