"""Elevation of points from public services: for places, not for road profiles.

Both are terrain or surface models; at bridges, tunnels and cuttings they differ from the road.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from planner.model.trip import Trip
from planner.weather.nws import covered
from planner.weather.openmeteo import ATTRIBUTION, URL, in_batches
from planner.weather.records import ELEVATION_M, BadReply, Point, in_turn, plain, point_at
from planner.weather.transport import Client

USGS_URL = "https://epqs.nationalmap.gov"
FAR_M = 60.0  # ASSUMED: a 90 m model and rounded coordinates stay within this in ordinary ground, 30 to 100 m
_ACCEPT = "application/json"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteoElevations:
    """Open-Meteo's elevations: Copernicus GLO-90, a 90 m model of the surface, world-wide."""

    url: str = URL
    name: str = "Open-Meteo elevation"
    attribution: str = f"Elevation: Copernicus DEM GLO-90. {ATTRIBUTION}"

    def elevations_m(self, points: Sequence[Point], *, client: Client) -> tuple[float | None, ...]:
        """Ask for up to 100 points at a time, to 0.0001 degree."""

        def ask(batch: Sequence[Point]) -> list[float | None]:
            params = {
                "latitude": ",".join(plain(p.lat_deg, 4) for p in batch),
                "longitude": ",".join(plain(p.lon_deg, 4) for p in batch),
            }
            return parse_elevations(client.get(f"{self.url}/v1/elevation", params, accept=_ACCEPT).data, len(batch))

        found = [one for _, one in in_batches(points, ask, lambda _, height: height)]
        return _or_none(self.name, found, client)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsgsElevations:
    """The US Geological Survey's point query: bare ground, 1 to 10 m, United States; one point a request, slow."""

    url: str = USGS_URL
    name: str = "USGS elevation"
    attribution: str = "Elevation: USGS 3D Elevation Program."

    def elevations_m(self, points: Sequence[Point], *, client: Client) -> tuple[float | None, ...]:
        """Query every point in turn; stop after the first failure to respond."""

        def ask(point: Point) -> float | None:
            place = {"x": plain(point.lon_deg, 4), "y": plain(point.lat_deg, 4), "wkid": "4326"}
            params = place | {"units": "Meters", "includeDate": "false"}
            data = client.get(f"{self.url}/v1/json", params, accept=_ACCEPT).data
            return parse_elevation(data.get("value")) if isinstance(data, dict) else None

        asked = [point for point in points if covered(point.lat_deg, point.lon_deg)]
        found = dict(in_turn(asked, ask, give_up_after=1))
        return _or_none(self.name, [found.get(point) for point in points], client)


def _or_none(name: str, found: Sequence[float | str | None], client: Client) -> tuple[float | None, ...]:
    """The elevations, None instead of a reason, which is reported once."""
    for why in dict.fromkeys(one for one in found if isinstance(one, str)):
        client.progress(f"{name} {why}")
    return tuple(None if isinstance(one, str) else one for one in found)


CREDITS = (OpenMeteoElevations().attribution, UsgsElevations().attribution)
"""Attribution to show with the elevations."""


def parse_elevations(data: Any, count: int) -> list[float | None]:
    """Read elevations in the order of the points."""
    heights = data.get("elevation") if isinstance(data, dict) else None
    if not isinstance(heights, list) or len(heights) != count:
        message = f"sent no list of {count} elevations; its format may have changed"
        raise BadReply(message)
    return [parse_elevation(value) for value in heights]


def parse_elevation(value: Any) -> float | None:
    """Read an elevation given as a number or as text.

    >>> parse_elevation("296.606"), parse_elevation(-1000000), parse_elevation("high")
    (296.606, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        return None
    try:
        found = float(value)
    except (ValueError, OverflowError):  # JSON allows integers of hundreds of digits
        return None
    return found if ELEVATION_M[0] <= found <= ELEVATION_M[1] else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ElevationCheck:
    """An entered elevation and those of the services; None if unknown or not queried. [m]."""

    place: str
    entered_m: float
    first_m: float | None
    second_m: float | None

    @property
    def off(self) -> bool:
        """Whether every service differs far from the entered elevation."""
        return bool(self.found_m) and all(abs(height - self.entered_m) > FAR_M for height in self.found_m)

    @property
    def found_m(self) -> list[float]:
        """Elevations returned by the services. [m]."""
        return [height for height in (self.first_m, self.second_m) if height is not None]


def check_elevations(
    points: Sequence[Point],
    *,
    client: Client,
    first: OpenMeteoElevations | None = None,
    second: UsgsElevations | None = None,
) -> tuple[ElevationCheck, ...]:
    """Compare entered elevations with a surface model, and ask a second service where they differ."""
    quick, sure = first or OpenMeteoElevations(), second or UsgsElevations()
    found = quick.elevations_m(points, client=client)
    doubtful = [
        (i, point)
        for i, (point, height) in enumerate(zip(points, found, strict=True))
        if height is not None and abs(height - point.elevation_m) > FAR_M
    ]
    answers = sure.elevations_m([point for _, point in doubtful], client=client)
    opinion = {i: answer for (i, _), answer in zip(doubtful, answers, strict=True)}
    return tuple(
        ElevationCheck(place=point.place, entered_m=point.elevation_m, first_m=height, second_m=opinion.get(i))
        for i, (point, height) in enumerate(zip(points, found, strict=True))
    )


def check_places(
    trip: Trip, *, offline: bool, now: datetime, progress: Callable[[str], None] = lambda _: None
) -> tuple[ElevationCheck, ...]:
    """Compare the elevations of a trip's places with the public services."""
    with Client(offline=offline, now=now, progress=progress) as client:
        return check_elevations([point_at(place) for place in trip.places.values()], client=client)
