"""Making a trip folder from one or more track files."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from planner.files import limits
from planner.files.drawn import read_drawn
from planner.files.folder import classes, filled_folder, to_sheets
from planner.files.gpx import Points
from planner.files.reading import Problems, nearest
from planner.files.tracks import GpxTrack, track_of
from planner.model.errors import PlannerError, TripError
from planner.newtrip.draft import Draft, draft_of
from planner.newtrip.thin import thinned
from planner.newtrip.write import files_of

DEPARTURE = datetime(2027, 7, 15, 8, 0)
SHORTEST_M = 1000.0
BASE, DRIVING = "estate-1990s-six", "8 h"


def read_road(paths: Sequence[Path]) -> GpxTrack:
    """Read one road from files in the order of driving."""
    problems = Problems()
    joined = Points()
    for path in paths:
        points = read_drawn(path, problems)
        if points is not None:
            _append(joined, points)
    if len(joined) > limits.GPX_POINTS:
        problems.add(
            paths[0].name,
            f"with the other tracks has more than {limits.GPX_POINTS:,} points; simplify them",
            code="too-large",
        )
    if not len(problems):
        track = track_of(joined)
        if not isinstance(track, str):
            return track
        problems.add(paths[0].name, track, code="track")
    raise TripError(problems.found())


def _append(joined: Points, points: Points) -> None:
    joined.breaks += [len(joined) + n for n in points.breaks]
    joined.lat_deg.extend(points.lat_deg)
    joined.lon_deg.extend(points.lon_deg)
    joined.elevation_m.extend(points.elevation_m)
    joined.parts += points.parts
    joined.named += points.named
    joined.clean = points.clean


def new_from_track(
    folder: Path,
    tracks: Sequence[Path],
    *,
    start: str | None = None,
    base: str | None = None,
    driving: str | None = None,
    spreadsheet: bool = False,
) -> tuple[tuple[str, ...], Draft]:
    """Make a trip folder from a road; return its file names and the draft."""
    car = base or BASE
    if car not in classes():
        message = f"--base {car!r}: {nearest(car, classes())}"
        raise PlannerError(message)
    departure = DEPARTURE if start is None else _moment(start)
    track = thinned(read_road(tracks))
    if track.length_m < SHORTEST_M:
        message = f"{tracks[0].name}: is {track.length_m:,.0f} m long; a trip needs at least {SHORTEST_M:,.0f} m"
        raise TripError([message])
    draft = draft_of(track, name=folder.absolute().name, departure=departure)
    files = files_of(draft, base=car, driving=_hours(driving))

    def fill(made: Path) -> None:
        for name, text in files.items():
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_text(text, encoding="utf-8", newline="\n")
        if spreadsheet:
            to_sheets(made)

    return filled_folder(folder, fill), draft


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is not None or not 1900 <= moment.year <= 2100:
        message = f"--start {text!r}: write the local date and time, e.g. '2027-08-06 07:00'"
        raise PlannerError(message)
    return moment


def _hours(text: str | None) -> str:
    """Driving time per day in trip.toml's form; `6h` and `6 h` are accepted."""
    if text is None:
        return DRIVING
    words = text.strip()
    number = words.rstrip("h ").strip()
    try:
        hours = float(number)
    except ValueError:
        hours = 0.0
    if not 0.0 < hours <= 24.0:
        message = f"--nights {text!r}: write the driving time per day, e.g. 6h"
        raise PlannerError(message)
    return f"{hours:g} h"
