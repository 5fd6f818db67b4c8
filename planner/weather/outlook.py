"""Whose word on the weather counts at a place on a day: a forecast, what was entered, what is usual, a guess."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from planner.files.weatherfile import DatedWeather
from planner.model.trip import Leg, Trip
from planner.weather.expected import Anchor, highs_lows_along
from planner.weather.normals import Normals, usual_at
from planner.weather.record import Fetched, PastYears, Weather
from planner.weather.spread import DATED_SD_K, GUESS_SD_K, Kind, typical_sd_k

Floats = NDArray[np.float64]
EPOCH = date(1970, 1, 1)
_DAY_S = 86400.0
_DATED_SLACK_DAYS = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a trip's weather beyond the usual values in places.csv, whichever road is taken.

    Attributes
    ----------
    dated : tuple of DatedWeather
        Rows of weather.csv. [-]
    weather : Weather or None
        Fetched forecasts. [-]
    normals : Normals or None
        Table of stations. [-]
    past : mapping of str to PastYears
        Past years by place. [-]
    """

    dated: tuple[DatedWeather, ...] = ()
    weather: Weather | None = None
    normals: Normals | None = None
    past: Mapping[str, PastYears] = field(default_factory=dict)


NOTHING = Known()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A place where the route passes it; one passed twice is two stops."""

    key: str
    name: str
    distance_m: float
    elevation_m: float
    lat_deg: float
    lon_deg: float
    high_k: float | None
    low_k: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """All that is known of the weather along one route.

    Attributes
    ----------
    stops : tuple of Stop
        Places of the route in order. [-]
    dated : mapping
        Entered by place and date. [-]
    forecasts : mapping
        Fetched by place, the one to go by first. [-]
    normals : Normals or None
        Table of stations. [-]
    past : mapping
        Past years by place. [-]
    month : int
        Month of departure, for the spread about usual values. [-]
    """

    stops: tuple[Stop, ...]
    dated: Mapping[tuple[str, date], DatedWeather]
    forecasts: Mapping[str, tuple[Fetched, ...]]
    normals: Normals | None
    past: Mapping[str, PastYears]
    month: int
    _days: dict[date, "tuple[Basis, ...]"] = field(default_factory=dict, compare=False, repr=False)

    @property
    def changes_by_day(self) -> bool:
        """Whether the highs and lows gone by, forecasts apart, depend on the date."""
        return bool(self.dated or self.normals is not None or self.past)


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """High and low gone by at a stop on a day, forecasts apart, and how sure they are."""

    stop: Stop
    anchor: Anchor
    kind: Kind
    sd_k: float


def make_outlook(trip: Trip, legs: Sequence[Leg], known: Known = NOTHING) -> Outlook:
    """Gather what is known of the weather along a route.

    Parameters
    ----------
    trip : Trip
        Places with usual highs and lows; departure. [-]
    legs : sequence of Leg
        The route. [-]
    known : Known
        What there is beyond the usual values. [-]

    Returns
    -------
    Outlook
        For `air_along`.
    """
    at = [(0.0, legs[0].start)]
    for leg in legs:
        at.append((at[-1][0] + leg.distance_m, leg.finish))
    stops = tuple(_stop(trip, key, distance_m) for distance_m, key in at)
    keys = {stop.key for stop in stops}
    fetched = {} if known.weather is None else known.weather.fetched
    return Outlook(
        stops=stops,
        dated={(row.place, row.date): row for row in known.dated if row.place in keys},
        forecasts={key: held for key, held in fetched.items() if key in keys and held},
        normals=known.normals,
        past={key: one for key, one in known.past.items() if key in keys},
        month=trip.departure.month,
    )


def _stop(trip: Trip, key: str, distance_m: float) -> Stop:
    place = trip.places[key]
    return Stop(
        key=key,
        name=place.name,
        distance_m=distance_m,
        elevation_m=place.elevation_m,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        high_k=place.high_k,
        low_k=place.low_k,
    )


def dated_on(outlook: Outlook, key: str, day: date) -> DatedWeather | None:
    """Weather entered for a place on a date, or where there is none, on the day before or after.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    key : str
        The place. [-]
    day : date
        The date. [-]

    Returns
    -------
    DatedWeather or None
        The row.
    """
    for off in (0, *(step * sign for step in range(1, _DATED_SLACK_DAYS + 1) for sign in (-1, 1))):
        row = outlook.dated.get((key, day + timedelta(days=off)))
        if row is not None:
            return row
    return None


def bases_on(outlook: Outlook, day: date) -> tuple[Basis, ...]:
    """Highs and lows gone by on a day where no forecast reaches, for every stop that somebody knows.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    day : date
        The day. [-]

    Returns
    -------
    tuple of Basis
        In order; of each stop the best source only.
    """
    found = outlook._days.get(day)
    if found is None:
        usual = _station_values(outlook, day)
        found = tuple(b for b in (_basis(outlook, stop, day, usual) for stop in outlook.stops) if b is not None)
        outlook._days[day] = found
    return found


def _station_values(outlook: Outlook, day: date) -> dict[str, tuple[float, float]]:
    """Highs and lows by the table of stations, for stops without entered ones."""
    bare = [stop for stop in outlook.stops if stop.high_k is None and stop.low_k is None]
    if outlook.normals is None or not bare:
        return {}
    where = np.array([[stop.lat_deg, stop.lon_deg, stop.elevation_m] for stop in bare])
    return dict(zip([stop.key for stop in bare], usual_at(outlook.normals, where, day=day), strict=True))


def _basis(outlook: Outlook, stop: Stop, day: date, stations: Mapping[str, tuple[float, float]]) -> Basis | None:
    typical = typical_sd_k(outlook.month)
    row = dated_on(outlook, stop.key, day)
    past = outlook.past[stop.key].on(day) if stop.key in outlook.past else None
    if row is not None and row.high_k is not None:
        return _made(stop, row.high_k, row.low_k, Kind.DATED, DATED_SD_K)
    if stop.high_k is not None or stop.low_k is not None:
        return _made(stop, stop.high_k, stop.low_k, Kind.USUAL, typical)
    if stop.key in stations:
        high_k, low_k = stations[stop.key]
        return _made(stop, high_k, low_k, Kind.NORMALS, typical)
    if past is not None:
        height_m = outlook.past[stop.key].elevation_m
        return _made(stop, past[0], past[1], Kind.PAST_YEARS, past[2], height_m)
    return None


def _made(
    stop: Stop, high_k: float | None, low_k: float | None, kind: Kind, sd_k: float, height_m: float | None = None
) -> Basis:
    elevation_m = stop.elevation_m if height_m is None else height_m
    anchor = Anchor(distance_m=stop.distance_m, elevation_m=elevation_m, high_k=high_k, low_k=low_k)
    return Basis(stop=stop, anchor=anchor, kind=kind, sd_k=sd_k)


def anchors_on(outlook: Outlook, day: date) -> tuple[Anchor, ...]:
    """Highs and lows of a day at every stop somebody knows, forecasts first.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    day : date
        The day. [-]

    Returns
    -------
    tuple of Anchor
        In order. Of a forecast the highest and lowest hour, where it covers the day from 03:00 to 21:00 by the sun.
    """
    bases = {basis.stop.distance_m: basis.anchor for basis in bases_on(outlook, day)}
    found = (_forecast_anchor(outlook, stop, day) or bases.get(stop.distance_m) for stop in outlook.stops)
    return tuple(anchor for anchor in found if anchor is not None)


def _forecast_anchor(outlook: Outlook, stop: Stop, day: date) -> Anchor | None:
    midnight_s = (day - EPOCH).days * _DAY_S - 240.0 * stop.lon_deg
    hours = midnight_s + np.arange(3.0, 21.5, 0.5) * 3600.0
    for one in outlook.forecasts.get(stop.key, ()):
        air = one.air_at(hours)
        if np.all(np.isfinite(air)):
            return Anchor(
                distance_m=stop.distance_m,
                elevation_m=one.elevation_m,
                high_k=float(air.max()),
                low_k=float(air.min()),
            )
    return None


def solar_day(lon_deg: Floats, epoch_s: Floats) -> Floats:
    """Days since 1970 by mean solar time, with the time of day as fraction.

    Parameters
    ----------
    lon_deg : ndarray
        Longitude, east positive. [deg]
    epoch_s : ndarray
        Instants. [s since 1970 UTC]

    Returns
    -------
    ndarray
        0.5 is noon on 1 January 1970. [day]
    """
    return np.asarray((epoch_s + 240.0 * lon_deg) / _DAY_S)


def into_next_day(days: Floats) -> tuple[Floats, Floats]:
    """Which day's high and low count at an instant, and how far those of the next.

    Parameters
    ----------
    days : ndarray
        Days since 1970 by the sun, with fraction. [day]

    Returns
    -------
    tuple of ndarray
        Whole day [day]; share of the next: 0 from 06:00 to 18:00, rising to 1 at the next 06:00 [-].

    Examples
    --------
    >>> into_next_day(np.array([10.0, 10.5, 10.75, 11.0, 11.25]))
    (array([ 9., 10., 10., 10., 11.]), array([0.5, 0. , 0. , 0.5, 0. ]))
    """
    since_six = days - 0.25
    day = np.floor(since_six)
    return day, np.clip(2.0 * (since_six - day) - 1.0, 0.0, 1.0)


def basis_along(
    outlook: Outlook, *, distance_m: Floats, elevation_m: Floats, lon_deg: Floats, epoch_s: Floats
) -> tuple[Floats, Floats, Floats]:
    """Daily high and low, and how sure they are, at points of the road and instants; forecasts apart.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    distance_m, elevation_m : ndarray, shape (n,)
        Along the route. [m]
    lon_deg : ndarray, shape (n,)
        Longitude, for the date by the sun. [deg]
    epoch_s : ndarray, shape (n,)
        Instants. [s since 1970 UTC]

    Returns
    -------
    tuple of ndarray
        High, low, standard deviation. [K]

    Notes
    -----
    From 06:00 to 18:00 by the sun the day's own; through the night gradually the next day's, so that the air does not
    jump at midnight.
    """
    if not outlook.changes_by_day:
        return _on_day(outlook, EPOCH, distance_m, elevation_m)
    day, to_next = into_next_day(solar_day(lon_deg, epoch_s))
    out = np.zeros((3, len(distance_m)))
    for number in np.unique(np.concatenate((day, day + 1.0))):
        share = np.where(day == number, 1.0 - to_next, 0.0) + np.where(day + 1.0 == number, to_next, 0.0)
        rows = np.flatnonzero(share)
        if rows.size:
            values = _on_day(outlook, EPOCH + timedelta(days=int(number)), distance_m[rows], elevation_m[rows])
            out[:, rows] += share[rows] * np.array(values)
    return out[0], out[1], out[2]


def _on_day(outlook: Outlook, day: date, distance_m: Floats, elevation_m: Floats) -> tuple[Floats, Floats, Floats]:
    bases = bases_on(outlook, day)
    high_k, low_k = highs_lows_along(distance_m, elevation_m, [basis.anchor for basis in bases])
    if not bases:
        return high_k, low_k, np.full(len(distance_m), GUESS_SD_K)
    at = [basis.anchor.distance_m for basis in bases]
    return high_k, low_k, np.interp(distance_m, at, [basis.sd_k for basis in bases])
