"""Making a trip folder from one or more track files."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from planner.files import limits
from planner.files.dates import moment_of
from planner.files.drawn import read_drawn
from planner.files.folder import class_lines, classes, filled_folder, to_sheets
from planner.files.gpx import Points
from planner.files.reading import Problems, nearest
from planner.files.tracks import OTHERWISE, REALLY_STEEP, STEEPEST, GpxTrack, track_of
from planner.model.display import counted
from planner.model.errors import PlannerError, TripError
from planner.newtrip.doubts import in_feet, off_ground_m
from planner.newtrip.draft import Draft, draft_of
from planner.newtrip.thin import thinned
from planner.newtrip.write import files_of
from thermal.errors import UnitError
from thermal.units import to_si
from thermal.vehicle_file import near_class

DEPARTURE = datetime(2027, 7, 15, 8, 0)
SHORTEST_M = 1000.0
BASE, DRIVING = "estate-1990s-six", "8 h"
_FEET = (
    "has elevations that fit the ground only as feet; a track holds metres: export it in metres, or multiply by "
    "0.3048. Or are lat and lon in the wrong order?"
)


def read_road(paths: Sequence[Path], *, steep: bool = False) -> GpxTrack:
    """Read one road from files in the order of driving; `steep` keeps grades up to `REALLY_STEEP`."""
    problems = Problems()
    joined = Points()
    for path in paths:
        points = read_drawn(path, problems)
        if points is not None:
            joined.append(points)
    if len(joined) > limits.GPX_POINTS:
        text = f"with the other tracks has more than {limits.GPX_POINTS:,} points; simplify them"
        problems.add(paths[0].name, text, code="too-large")
    if not len(problems):
        track = track_of(joined, steepest=REALLY_STEEP if steep else STEEPEST)
        if not isinstance(track, str) and in_feet(track):
            track = _FEET
        if not isinstance(track, str):
            return track
        advice = "Elevations in feet must be turned to metres" if steep else "If the road is that steep, add --steep"
        problems.add(paths[0].name, track.replace(OTHERWISE, advice), code="track")
    raise TripError(problems.found())


def new_from_track(
    folder: Path,
    tracks: Sequence[Path],
    *,
    start: str | None = None,
    base: str | None = None,
    driving: str | None = None,
    steep: bool = False,
    spreadsheet: bool = False,
) -> tuple[tuple[str, ...], Draft]:
    """Make a trip folder from a road; return its file names and the draft."""
    car = base or BASE
    if car not in classes():
        message = (
            f"--base {car!r}: {near_class(car, dict(class_lines())).removeprefix('; ') or nearest(car, classes())}"
        )
        raise PlannerError(message)
    departure = DEPARTURE if start is None else _moment(start)
    hours = _hours(driving)
    track = thinned(read_road(tracks, steep=steep))
    if track.length_m < SHORTEST_M:
        message = f"{tracks[0].name}: is {track.length_m:,.0f} m long; a trip needs at least {SHORTEST_M:,.0f} m"
        raise TripError([message])
    draft = draft_of(track, name=folder.absolute().name, departure=departure)
    off_m = off_ground_m(track)
    if off_m is not None:
        said = f"Half of the track's elevations are over {off_m:,.0f} m from the ground there"
        draft = replace(draft, assumed=(f"{said}: check the order of lat and lon, and the unit.", *draft.assumed))
    if start is None:
        said = f"Departure on {departure:%Y-%m-%d at %H:%M}: none was given. It sets sun, heat and open seasons."
        first = 1 if track.unknown else 0  # what is unknown comes first
        draft = replace(draft, assumed=(*draft.assumed[:first], said, *draft.assumed[first:]))
    files = files_of(draft, base=car, driving=hours)

    def fill(made: Path) -> None:
        for name, text in files.items():
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_text(text, encoding="utf-8", newline="\n")
        if spreadsheet:
            to_sheets(made)

    return filled_folder(folder, fill), draft


def _moment(text: str) -> datetime:
    moment = moment_of(text)
    if moment is not None and not isinstance(moment, datetime):
        moment = datetime.combine(moment, DEPARTURE.time())
    if moment is None or moment.tzinfo is not None or not 1900 <= moment.year <= 2100:
        message = f"--start {text!r}: write the local date and time, e.g. '2027-08-06 07:00'"
        raise PlannerError(message)
    return moment


def _hours(text: str | None) -> str:
    """Driving time per day in trip.toml's form; `6h`, `6 h` and `6 hours` are accepted."""
    if text is None:
        return DRIVING
    hours = 0.0
    with suppress(UnitError):
        hours = to_si(text, "s") / 3600.0
    if not 0.0 < hours <= 24.0:
        advice = "write the longest driving time per day, up to 24 hours, e.g. 6h"
        if text.isdecimal() and 0 < int(text) <= 24:
            said = f"write {text}h for at most {counted(int(text), 'hour')} of driving a day"
            advice = f"{said}; for {counted(int(text), 'night')}, set days = {int(text) + 1} in trip.toml"
        message = f"--nights {text!r}: {advice}"
        raise PlannerError(message)
    return f"{hours:g} h"
