"""Everything a trip has to say of its weather, read from its folder and from what was fetched; never the network."""

from collections.abc import Callable
from pathlib import Path

from planner.files.weatherfile import read_weather_file
from planner.model.trip import Trip
from planner.weather.keep import load_kept, load_past_years
from planner.weather.normals import read_normals
from planner.weather.outlook import Known


def gather(
    trip: Trip, *, normals: str = "", tell: Callable[[str], None] = lambda _: None, root: Path | None = None
) -> Known:
    """Gather weather.csv, a table of normals, and what `grademargin weather` fetched earlier.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    normals : str
        Name of a table of station normals inside the trip folder, or empty. [-]
    tell : callable
        Receives a sentence when something kept cannot be used. [-]
    root : Path, optional
        In place of the user's data folder. [-]

    Returns
    -------
    Known
        For `make_outlook`, whichever road is taken.

    Raises
    ------
    TripError
        If weather.csv or the table has problems; it carries all of the file's.
    """
    return Known(
        dated=read_weather_file(trip.folder, trip.places),
        weather=load_kept(trip, tell=tell, root=root),
        normals=read_normals(trip.folder / normals, root=trip.folder) if normals else None,
        past=load_past_years(trip, tell=tell, root=root),
    )
