"""Towns near the route, for the map."""

from collections import Counter

import numpy as np
import numpy.typing as npt

from maps.scene import Town
from planner.ground.towns import table, towns_in

Floats = npt.NDArray[np.float64]
WITHIN_KM = 97.0  # 60 miles
APART_KM = 14.0  # in degrees: towns closer to a larger one are omitted
CELL_DEG, MOST_A_CELL, MOST = (0.3, 1.0), 4, 420  # so that sparse regions show towns too
_CELLS = 25.0  # cells along the longer side of a route, as far as their size allows
_EARTH_KM = 6371.0088  # mean radius, IUGG 1980
_EVERY_DEG = 0.2  # sampling of the route


def towns_beside(lat_deg: Floats, lon_deg: Floats) -> tuple[Town, ...]:
    """Towns within 60 miles of a route, largest first, spaced for their labels."""
    reach = WITHIN_KM / 111.0
    steps = np.maximum(np.abs(np.diff(lat_deg)), np.abs(np.diff(lon_deg)))
    kept = np.unique(np.searchsorted(np.cumsum(steps), np.arange(0.0, float(steps.sum()), _EVERY_DEG)))
    route = np.column_stack([lat_deg, lon_deg])[np.append(kept, len(lat_deg) - 1)]
    wide = reach / max(float(np.cos(np.radians(np.abs(lat_deg).max() + reach))), 0.1)
    west, east = _span(lon_deg)
    found = towns_in(
        south_deg=float(lat_deg.min()) - reach,
        north_deg=float(lat_deg.max()) + reach,
        west_deg=west - wide,
        east_deg=min(east + wide, west - wide + 359.0),
    )
    towns = table()
    at = _unit(towns.lat_deg[found], towns.lon_deg[found])
    near = (at @ _unit(route[:, 0], route[:, 1]).T).max(axis=1) >= np.cos(WITHIN_KM / _EARTH_KM)
    found, at = found[near], at[near]
    size = float(np.clip(max(float(np.ptp(lat_deg)), east - west) / _CELLS, *CELL_DEG))
    closest = np.cos(APART_KM * size / _EARTH_KM)
    made: list[Town] = []
    count: Counter[tuple[float, float]] = Counter()
    taken = np.empty((0, 3))
    for n in np.argsort(-towns.people[found], kind="stable").tolist():
        if len(made) == MOST:
            break
        town = towns.town(int(found[n]))
        cell = town.lat_deg // size, town.lon_deg // size
        close = len(taken) > 0 and float((taken @ at[n]).max()) > closest
        if close or count[cell] == MOST_A_CELL:
            continue
        count[cell] += 1
        taken = np.vstack([taken, at[n]])
        made.append(Town(name=town.name, lat=town.lat_deg, lon=town.lon_deg, weight=round(town.people)))
    return tuple(made)


def _span(lon_deg: Floats) -> tuple[float, float]:
    """West and east end of a route that may cross the 180th meridian."""
    unrolled = np.unwrap(lon_deg, period=360.0)
    return float(unrolled.min()), float(unrolled.max())


def _unit(lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Directions from the middle of the Earth, shape (n, 3)."""
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
