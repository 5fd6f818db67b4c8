"""Elevation of points from public services: for places whose elevation nobody knows, not for the shape of a road.

Both are models of the ground or of its surface; bridges, tunnels and cuttings are not the road's elevation.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from planner.model.trip import Trip
from planner.weather.nws import covered
from planner.weather.openmeteo import ATTRIBUTION, URL, batches
from planner.weather.record import ELEVATION_M, Point, point_at
from planner.weather.reply import BadReply, ServiceError, Unreachable, plain
from planner.weather.web import Web

USGS_URL = "https://epqs.nationalmap.gov"
FAR_M = 60.0  # ASSUMED: a 90 m model and rounded coordinates stay within this in ordinary ground, 30 to 100 m
_ACCEPT = "application/json"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteoHeights:
    """Open-Meteo's elevations: Copernicus GLO-90, a 90 m model of the surface, world-wide."""

    url: str = URL
    name: str = "Open-Meteo elevation"
    attribution: str = f"Elevation: Copernicus DEM GLO-90. {ATTRIBUTION}"

    def heights_m(self, points: Sequence[Point], *, web: Web, tell: Callable[[str], None]) -> tuple[float | None, ...]:
        """Ask for up to 100 points at a time, to 0.0001 degree."""
        found: list[float | None] = []
        for batch in batches(points):
            params = {
                "latitude": ",".join(plain(p.lat_deg, 4) for p in batch),
                "longitude": ",".join(plain(p.lon_deg, 4) for p in batch),
            }
            try:
                found += each_height_m(web.get(f"{self.url}/v1/elevation", params, accept=_ACCEPT).data, len(batch))
            except ServiceError as exc:
                tell(f"{self.name} {exc}")
                found += [None] * len(batch)
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsgsHeights:
    """The US Geological Survey's point query: bare ground, 1 to 10 m, United States; one point a request, slow."""

    url: str = USGS_URL
    name: str = "USGS elevation"
    attribution: str = "Elevation: USGS 3D Elevation Program."

    def heights_m(self, points: Sequence[Point], *, web: Web, tell: Callable[[str], None]) -> tuple[float | None, ...]:
        """Ask for every point in turn; once there is no answer at all, no more are asked."""
        found: list[float | None] = []
        silent = False
        for point in points:
            if silent or not covered(point.lat_deg, point.lon_deg):
                found.append(None)
                continue
            params = {
                "x": plain(point.lon_deg, 4),
                "y": plain(point.lat_deg, 4),
                "wkid": "4326",
                "units": "Meters",
                "includeDate": "false",
            }
            try:
                data = web.get(f"{self.url}/v1/json", params, accept=_ACCEPT).data
                found.append(height_m(data.get("value")) if isinstance(data, dict) else None)
            except ServiceError as exc:
                tell(f"{self.name} {exc}")
                silent = isinstance(exc, Unreachable)
                found.append(None)
        return tuple(found)


CREDITS = (OpenMeteoHeights().attribution, UsgsHeights().attribution)
"""What must be shown beside the elevations."""


def each_height_m(data: Any, count: int) -> list[float | None]:
    """Read elevations in the order of the points.

    Parameters
    ----------
    data : object
        The JSON. [-]
    count : int
        How many points were asked for. [-]

    Returns
    -------
    list of float or None
        None where there is no data. [m]

    Raises
    ------
    BadReply
        If there are more or fewer, or they are something else.
    """
    heights = data.get("elevation") if isinstance(data, dict) else None
    if not isinstance(heights, list) or len(heights) != count:
        message = f"gave no list of {count} elevations; its form may have changed"
        raise BadReply(message)
    return [height_m(value) for value in heights]


def height_m(value: Any) -> float | None:
    """Read an elevation given as a number or as text.

    Parameters
    ----------
    value : object
        A part of the JSON. [-]

    Returns
    -------
    float or None
        None for a mark of no data, such as -1000000, and for what no ground can be. [m]

    Examples
    --------
    >>> height_m("296.606"), height_m(-1000000), height_m("high")
    (296.606, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        return None
    try:
        found = float(value)
    except (ValueError, OverflowError):  # a whole number of hundreds of digits is JSON as well
        return None
    return found if ELEVATION_M[0] <= found <= ELEVATION_M[1] else None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCheck:
    """An entered elevation beside those of the services; None where one does not tell or was not asked. [m]."""

    place: str
    entered_m: float
    first_m: float | None
    second_m: float | None

    @property
    def off(self) -> bool:
        """True when every service that tells an elevation lies far from the one entered."""
        return bool(self.found_m) and all(abs(height - self.entered_m) > FAR_M for height in self.found_m)

    @property
    def found_m(self) -> list[float]:
        """Elevations that the services told. [m]."""
        return [height for height in (self.first_m, self.second_m) if height is not None]


def check_heights(
    points: Sequence[Point],
    *,
    web: Web,
    tell: Callable[[str], None] = lambda _: None,
    first: OpenMeteoHeights | None = None,
    second: UsgsHeights | None = None,
) -> tuple[HeightCheck, ...]:
    """Compare entered elevations with a surface model, and ask a second service where they differ.

    Parameters
    ----------
    points : sequence of Point
        Places with the elevations entered. [-]
    web : Web
        Client, which may be offline. [-]
    tell : callable
        Receives a sentence when a service does not answer. [-]
    first, second : OpenMeteoHeights, UsgsHeights, optional
        The services; the public ones when not given. [-]

    Returns
    -------
    tuple of HeightCheck
        One a point, in order.
    """
    quick, sure = first or OpenMeteoHeights(), second or UsgsHeights()
    found = quick.heights_m(points, web=web, tell=tell)
    doubtful = [
        (i, point)
        for i, (point, height) in enumerate(zip(points, found, strict=True))
        if height is not None and abs(height - point.elevation_m) > FAR_M
    ]
    answers = sure.heights_m([point for _, point in doubtful], web=web, tell=tell)
    opinion = {i: answer for (i, _), answer in zip(doubtful, answers, strict=True)}
    return tuple(
        HeightCheck(place=point.place, entered_m=point.elevation_m, first_m=height, second_m=opinion.get(i))
        for i, (point, height) in enumerate(zip(points, found, strict=True))
    )


def check_places(
    trip: Trip, *, offline: bool, now: datetime, tell: Callable[[str], None] = lambda _: None
) -> tuple[HeightCheck, ...]:
    """Compare the elevations of a trip's places with the public services.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    offline : bool
        Never touch the network. [-]
    now : datetime
        The present, aware. [-]
    tell : callable
        Receives a sentence when a service does not answer. [-]

    Returns
    -------
    tuple of HeightCheck
        One a place.
    """
    with Web(offline=offline, now=now, tell=tell) as web:
        return check_heights([point_at(place) for place in trip.places.values()], web=web, tell=tell)
