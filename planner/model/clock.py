"""Time zones, local times and the sun.

Internal times are UTC; local times are for display, in the zone of the place. Aware datetimes in one zone add and
subtract in local time, wrong across a clock change, so arithmetic uses UTC only.
"""

import atexit
import functools
import importlib.util
import threading
from contextlib import nullcontext
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.model.errors import PlannerError
from planner.model.lean import without

Floats = NDArray[np.float64]

_ONE_AT_A_TIME = threading.Lock()  # thread safety of the finder is undocumented

SUNRISE_ELEVATION_DEG = -0.833
"""Geometric height of the sun's centre as its upper edge appears: 34' refraction and 16' radius (almanac practice)."""

_POLAR_DEG = 60.0  # above this latitude days without sunrise or sunset occur
_FEW_INSTANTS = 64  # more are interpolated


def _has_own_code() -> bool:
    """Whether the finder of zones has its own compiled C; if not, it is slow without the compiler."""
    found = importlib.util.find_spec("timezonefinder")
    folders = found.submodule_search_locations if found else None
    return any(any(Path(folder).glob("inside_poly*ext*.*")) for folder in folders or ())


@functools.cache
def _finder() -> Any:
    with without("numba") if _has_own_code() else nullcontext():  # 0.4 s, 120 MB
        from timezonefinder import TimezoneFinder  # slow to import

    finder = TimezoneFinder()  # reads its 30 MB of boundaries where they are looked at
    atexit.register(finder.cleanup)  # no files left open
    return finder


@functools.lru_cache(maxsize=65536)
def zone_of(lat_deg: float, lon_deg: float) -> str:
    """Name of the time zone observed at a point.

    Notes
    -----
    Boundaries: timezone-boundary-builder, from OpenStreetMap contributors (ODbL). They follow the law, not custom:
    Kenton, Oklahoma, keeps Mountain time but is given Central.
    """
    if not (-90.0 <= lat_deg <= 90.0 and -180.0 <= lon_deg <= 180.0):
        message = (
            f"position {lat_deg}, {lon_deg}: latitude must be -90 to 90, longitude -180 to 180, in decimal degrees; "
            "check that the two are not swapped"
        )
        raise PlannerError(message)
    with _ONE_AT_A_TIME:
        name = _finder().timezone_at(lat=lat_deg, lng=lon_deg)
    return _nautical_zone(lon_deg) if name is None else str(name)


def _nautical_zone(lon_deg: float) -> str:
    hours = round(lon_deg / 15.0)
    return f"Etc/GMT{-hours:+d}" if hours else "Etc/GMT"  # these names count westward


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as exc:
        message = f"time zone {name!r} is unknown; write an IANA name such as 'America/Denver'"
        raise PlannerError(message) from exc


def ensure_aware(instant: datetime) -> datetime:
    """Return a time unchanged if it has a zone; raise otherwise.

    Examples
    --------
    >>> ensure_aware(datetime(2027, 7, 6, 13, 0, tzinfo=UTC)).hour
    13
    """
    if instant.utcoffset() is None:
        message = f"time {instant} has no time zone; convert it with local_to_utc first"
        raise PlannerError(message)
    return instant


def local_to_utc(naive: datetime, zone: str) -> datetime:
    """UTC time of a local time.

    Examples
    --------
    >>> local_to_utc(datetime(2027, 7, 6, 7, 0), "America/New_York").isoformat()
    '2027-07-06T11:00:00+00:00'
    """
    if naive.tzinfo is not None:
        message = f"time {naive.isoformat()} already has a zone; give the local time of {zone} without an offset"
        raise PlannerError(message)
    utc = naive.replace(tzinfo=_zone(zone), fold=0).astimezone(UTC)
    shown = to_local(utc, zone).replace(tzinfo=None)
    if shown != naive.replace(fold=0):
        message = (
            f"{naive:%Y-%m-%d %H:%M} does not exist in {zone}: clocks go forward that night; "
            f"write {shown:%H:%M}, or a time before the change"
        )
        raise PlannerError(message)
    return utc


def to_local(utc: datetime, zone: str) -> datetime:
    """Local time of a UTC time.

    Examples
    --------
    >>> to_local(datetime(2027, 7, 6, 11, 0, tzinfo=UTC), "America/Phoenix").isoformat()
    '2027-07-06T04:00:00-07:00'
    """
    return ensure_aware(utc).astimezone(_zone(zone))


def sun_times_utc(lat_deg: float, lon_deg: float, day: date) -> tuple[datetime, datetime]:
    """Sunrise and sunset of one day.

    Notes
    -----
    astral, for a flat horizon at the place's own height: its `elevation` is the height *above the horizon*, which on a
    high plateau is 0 (1,600 m would put sunrise 6 min too early). Within 1 min of an almanac; mountains are not seen.

    Examples
    --------
    >>> rise, fall = sun_times_utc(40.0, -105.0, date(2025, 6, 21))
    >>> f"{rise:%d %H:%M} {fall:%d %H:%M}"
    '21 11:31 22 02:32'
    """
    from astral import Observer  # not needed to read a trip
    from astral.sun import sunrise, sunset

    observer = Observer(lat_deg, lon_deg, 0.0)
    solar = timezone(timedelta(minutes=round(4.0 * lon_deg)))
    if abs(lat_deg) > _POLAR_DEG:
        return _polar_sun_times(lat_deg, lon_deg, day)
    rise, fall = sunrise(observer, day, tzinfo=solar), sunset(observer, day, tzinfo=solar)
    return rise.astimezone(UTC), fall.astimezone(UTC)


def _polar_sun_times(lat_deg: float, lon_deg: float, day: date) -> tuple[datetime, datetime]:
    """Find sunrise and sunset by bisection; near polar day and night astral may return those of another day."""
    noon = _solar_noon(lon_deg, day)

    def up(hours: float) -> bool:
        at = noon.timestamp() + 3600.0 * hours
        return float(solar_elevation_deg(lat_deg=lat_deg, lon_deg=lon_deg, epoch_s=at)) > SUNRISE_ELEVATION_DEG

    def crossing(side: float) -> datetime:
        light, dark = 0.0, 12.0
        if not up(0.0) or up(side * dark):
            return noon + timedelta(hours=side * dark if up(0.0) else 0.0)
        while dark - light > 0.002:
            middle = 0.5 * (light + dark)
            light, dark = (middle, dark) if up(side * middle) else (light, middle)
        return noon + timedelta(hours=side * light)

    return crossing(-1.0), crossing(1.0)


def _solar_noon(lon_deg: float, day: date) -> datetime:
    mean = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(minutes=4.0 * lon_deg)
    _, ahead_h = sun_angles(mean.timestamp())
    return mean - timedelta(hours=float(ahead_h))


def sun_angles(epoch_s: ArrayLike) -> tuple[Floats, Floats]:
    """Declination of the sun and equation of time.

    Notes
    -----
    Within about 0.01 deg and 3 s from 1950 to 2050. Many instants are interpolated between full hours, within 2e-6 deg
    and 2e-4 s.

    References
    ----------
    J. Meeus, Astronomical Algorithms, 2nd ed. 1998, ch. 25 (low accuracy) and 28, in the form of the NOAA solar
    calculator; from memory, checked against pvlib's SPA.

    Examples
    --------
    >>> declination_deg, ahead_h = sun_angles(datetime(2025, 6, 21, 3, tzinfo=UTC).timestamp())
    >>> float(declination_deg)
    23.44
    """
    epoch = np.asarray(epoch_s, dtype=np.float64)
    if epoch.size > _FEW_INSTANTS and np.ptp(epoch) < 3600.0 * epoch.size:
        hours = 3600.0 * np.arange(np.floor(epoch.min() / 3600.0), np.ceil(epoch.max() / 3600.0) + 1.0)
        declination_deg, ahead_h = _sun_angles(hours)
        return np.interp(epoch, hours, declination_deg), np.interp(epoch, hours, ahead_h)
    return _sun_angles(epoch)


def _sun_angles(epoch_s: Floats) -> tuple[Floats, Floats]:
    """The same, each instant by the formulas."""
    century = (epoch_s / 86400.0 - 10957.5) / 36525.0  # since 2000-01-01 12:00 UTC
    mean_lon = np.radians((280.46646 + century * (36000.76983 + century * 0.0003032)) % 360.0)
    anomaly = np.radians((357.52911 + century * (35999.05029 - century * 0.0001537)) % 360.0)
    eccentricity = 0.016708634 - century * (0.000042037 + century * 0.0000001267)
    sin_1, sin_2 = np.sin(anomaly), np.sin(2.0 * anomaly)
    centre_deg = (
        (1.914602 - century * (0.004817 + century * 0.000014)) * sin_1
        + (0.019993 - century * 0.000101) * sin_2
        + 0.000289 * np.sin(3.0 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    apparent_lon = mean_lon + np.radians(centre_deg - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    declination_deg = np.degrees(np.arcsin(np.sin(obliquity) * np.sin(apparent_lon)))
    y = np.tan(obliquity / 2.0) ** 2
    sin_lon, cos_lon = np.sin(2.0 * mean_lon), np.cos(2.0 * mean_lon)
    ahead_rad = (
        y * sin_lon
        - 2.0 * eccentricity * sin_1
        + 4.0 * eccentricity * y * sin_1 * cos_lon
        - y**2 * sin_lon * cos_lon
        - 1.25 * eccentricity**2 * sin_2
    )
    return declination_deg, ahead_rad * (12.0 / np.pi)


def sun_at(*, lon_deg: ArrayLike, epoch_s: ArrayLike) -> tuple[Floats, Floats]:
    """Declination of the sun, and true solar time of day. [degree, h].

    Examples
    --------
    >>> noon = datetime(2025, 6, 21, 19, 1, 55, tzinfo=UTC).timestamp()
    >>> declination_deg, solar_h = sun_at(lon_deg=-105.0, epoch_s=noon)
    >>> float(solar_h)
    12.00
    """
    epoch = np.asarray(epoch_s, dtype=np.float64)
    declination_deg, ahead_h = sun_angles(epoch)
    return declination_deg, (epoch / 3600.0 + np.asarray(lon_deg, dtype=np.float64) / 15.0 + ahead_h) % 24.0


def solar_elevation_deg(*, lat_deg: ArrayLike, lon_deg: ArrayLike, epoch_s: ArrayLike) -> Floats:
    """Height of the sun's centre above a flat horizon, without refraction.

    Notes
    -----
    Spherical astronomy with `sun_at`; arguments broadcast. Within 0.02 deg of pvlib's SPA.

    Examples
    --------
    >>> noon = datetime(2025, 7, 15, 19, 46, 3, tzinfo=UTC).timestamp()
    >>> float(solar_elevation_deg(lat_deg=36.0, lon_deg=-115.0, epoch_s=noon))
    75.4
    """
    declination_deg, solar_h = sun_at(lon_deg=lon_deg, epoch_s=epoch_s)
    hour_angle = (solar_h - 12.0) * (np.pi / 12.0)
    lat, declination = np.radians(np.asarray(lat_deg, dtype=np.float64)), np.radians(declination_deg)
    sine = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def local(epoch_s: float, lat_deg: float, lon_deg: float) -> datetime:
    """Local time at a place.

    Examples
    --------
    >>> local(1_783_310_400.0, 39.7, -105.0).isoformat()
    '2026-07-05T22:00:00-06:00'
    """
    return to_local(datetime.fromtimestamp(epoch_s, tz=UTC), zone_of(lat_deg, lon_deg))


def epoch_s(naive: datetime, lat_deg: float, lon_deg: float) -> float:
    """Epoch time of a local time at a place.

    Examples
    --------
    >>> epoch_s(datetime(2026, 7, 5, 22), 39.7, -105.0)
    1783310400.0
    """
    return local_to_utc(naive, zone_of(lat_deg, lon_deg)).timestamp()
