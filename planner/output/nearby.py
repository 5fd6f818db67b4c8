"""Towns beside the route, for the map."""

import numpy as np
import numpy.typing as npt

from maps.scene import Town
from planner.ground.towns import table, towns_in

Floats = npt.NDArray[np.float64]
WITHIN_KM, APART_KM, MOST = 97.0, 14.0, 320  # 60 miles; towns closer to a larger one are left out
_EARTH_KM = 6371.0088  # mean radius, IUGG 1980
_EVERY_DEG = 0.2  # how finely the route is followed


def towns_beside(lat_deg: Floats, lon_deg: Floats) -> tuple[Town, ...]:
    """Towns within 60 miles of a route, the largest first, spread so that their names have room."""
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
    made: list[Town] = []
    taken = np.empty((0, 3))
    for n in np.argsort(-towns.people[found], kind="stable").tolist():
        if len(made) == MOST:
            break
        if len(taken) and float((taken @ at[n]).max()) > np.cos(APART_KM / _EARTH_KM):
            continue
        taken = np.vstack([taken, at[n]])
        town = towns.town(int(found[n]))
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
