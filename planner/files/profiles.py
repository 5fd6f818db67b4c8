"""Elevation profiles: reading one from a CSV or a GPX track, and fitting it to the leg that names it."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from planner.files import limits
from planner.files.checks import END_ELEVATION_M, MAX_GRADE, steep_window
from planner.files.gpx import GpxTrack, parse_gpx
from planner.files.reading import Problems, file_fault, path_fault, read_bytes, read_text
from planner.files.tables import Column, Heading, Row, Table, read_table
from planner.files.tracks import TrackFit
from planner.model.trip import Place, Profile
from thermal.tomltext import shown

LENGTH_SLACK = 0.05  # a profile less than this much longer or shorter than its leg is scaled
_MIN_STEP_M = 0.01
_MAX_BYTES = {".csv": limits.TABLE_BYTES, ".gpx": limits.GPX_BYTES}

ELEVATION = Column(name="elevation", number=True, unit="m", usual=("ft", "m"), example="1250", low=-450.0, high=6500.0)
PROFILE_COLUMNS = (
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="0.5", low=0.0, high=2e7),
    ELEVATION,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadProfile:
    """A profile with its file name, and headings to show its numbers by."""

    profile: Profile
    file: str
    distance: Heading
    elevation: Heading


class Profiles:
    """Reads each profile of a folder once and fits it to the legs that name it.

    `notes` are sentences on what was changed to make tracks fit.
    """

    def __init__(self, folder: Path, problems: Problems) -> None:
        self._folder, self._problems = folder, problems
        self._read: dict[str, _ReadProfile | GpxTrack | None] = {}
        self._bytes = self._points = 0
        self.notes: list[str] = []

    def for_leg(self, row: Row, distance_m: float | None, ends: Sequence[Place | None]) -> Profile | None:
        """Return the profile a leg names, scaled to its distance; None when there is none or it is bad."""
        name = row.cell("profile")
        if not name:
            return None
        if name not in self._read:
            self._read[name] = self._load(row, name)
        read = self._read[name]
        if read is None or distance_m is None:
            return None
        self._points += len(read.distance_m if isinstance(read, GpxTrack) else read.profile.distance_m)
        if self._points > limits.PROFILE_POINTS:
            row.fault(
                "profile", f"with it the legs' profiles have more than {limits.PROFILE_POINTS:,} points; thin them out"
            )
            return None
        if isinstance(read, GpxTrack):
            return self._fitted_track(row, read, distance_m, ends)
        return _fitted(row, read, distance_m) if _ends_meet(row, read, ends) else None

    def _load(self, row: Row, name: str) -> "_ReadProfile | GpxTrack | None":
        fault = self._path_fault(name)
        if fault is not None:
            row.fault("profile", f"read {shown(name)}; {fault}")
            return None
        self._bytes += (self._folder / name).stat().st_size
        if self._bytes > limits.PROFILES_BYTES:
            most = f"{limits.PROFILES_BYTES / 1e6:.0f} MB"
            row.fault("profile", f"with it the profiles have more than {most}; thin them out, or name one file one way")
            return None
        if name.casefold().endswith(".gpx"):
            path = self._folder / name
            data = read_bytes(path, file=name, max_bytes=limits.GPX_BYTES, problems=self._problems)
            return None if data is None else parse_gpx(data, file=name, problems=self._problems)
        return _read_profile(self._folder / name, name, self._problems)

    def _fitted_track(
        self, row: Row, track: GpxTrack, distance_m: float, ends: Sequence[Place | None]
    ) -> Profile | None:
        fit = TrackFit(
            file=row.cell("profile"),
            start=ends[0],
            finish=ends[1],
            leg_m=distance_m,
            show=row.table.headings["distance"].show,
            fault=lambda text: row.fault("profile", text),
        )
        fitted = fit.fit(track)
        if fitted is None:
            return None
        if fitted.notes:
            where = f"'{fit.file}' ({row.table.file} row {row.number})"
            self.notes.append(f"Track {where}: {'; '.join(fitted.notes)}.")
        return fitted.track.profile()

    def _path_fault(self, name: str) -> str | None:
        fault = path_fault(name, example="profiles/raton.csv")
        if fault is not None:
            return fault
        max_bytes = _MAX_BYTES.get(Path(name).suffix.casefold())
        if max_bytes is None:
            return "a profile is a .gpx track, or a .csv file with the columns 'distance [mi]' and 'elevation [ft]'"
        fault = file_fault(self._folder / name, root=self._folder, max_bytes=max_bytes)
        if fault == "is missing" and not self._problems.many:
            beside = (self._folder / name).parent
            files = sorted(p for p in beside.glob("*") if p.suffix.casefold() in _MAX_BYTES)
            there = [str(p.relative_to(self._folder).as_posix()) for p in files[:200]]
            return (
                f"no such file; {self._problems.nearest(name, there)}" if there else "no such file in the trip folder"
            )
        return None if fault is None else f"it {fault}"


def _read_profile(path: Path, file: str, problems: Problems) -> _ReadProfile | None:
    before = len(problems)
    text = read_text(path, file=file, problems=problems)
    if text is None:
        return None
    table = read_table(text, file=file, columns=PROFILE_COLUMNS, max_rows=limits.PROFILE_ROWS, problems=problems)
    if table is None:
        return None
    points = [(row.value("distance"), row.value("elevation")) for row in table.rows]
    profile = Profile(
        distance_m=tuple(d for d, _ in points if d is not None),
        elevation_m=tuple(e for _, e in points if e is not None),
    )
    if len(problems) == before:
        _check_shape(table, profile)
    if len(problems) > before:
        return None
    return _ReadProfile(
        profile=profile, file=file, distance=table.headings["distance"], elevation=table.headings["elevation"]
    )


def _check_shape(table: Table, profile: Profile) -> None:
    first, distance = table.rows[0], table.headings["distance"]
    if len(table.rows) < 2:
        table.problems.add(table.file, "has one point; at least two are needed, the ends of the leg")
        return
    if profile.distance_m[0] != 0.0:
        first.fault("distance", f"read {shown(first.cell('distance'))}; the first distance must be 0")
    for row, (before_m, here_m) in zip(table.rows[1:], pairwise(profile.distance_m), strict=True):
        if here_m - before_m < _MIN_STEP_M:
            row.fault("distance", f"read {shown(row.cell('distance'))}; distances must rise from row to row")
            return
    steep = steep_window(profile)
    if steep is not None:
        text = f"the road has {steep[1]:.0%} over 500 m or more from {distance.show(steep[0])} on"
        advice = f"the most is {MAX_GRADE:.0%}; check the elevations there and the units in the heading"
        table.problems.add(table.file, f"{text}; {advice}")


def _ends_meet(row: Row, read: _ReadProfile, ends: Sequence[Place | None]) -> bool:
    """Tell whether a profile begins and ends near its places' elevations; note where not."""
    bad = False
    first, last = read.profile.elevation_m[0], read.profile.elevation_m[-1]
    for place, elevation_m, word in zip(ends, (first, last), ("begins", "ends"), strict=True):
        if place is None or abs(place.elevation_m - elevation_m) <= END_ELEVATION_M:
            continue
        bad = True
        here, there = read.elevation.show(elevation_m), read.elevation.show(place.elevation_m)
        most = read.elevation.show(END_ELEVATION_M)
        text = f"'{read.file}' {word} at {here} but '{place.key}' lies at {there}; at most {most} apart"
        row.fault("profile", f"{text}; check both, and that the profile runs from 'from' to 'to'")
    return not bad


def _fitted(row: Row, read: _ReadProfile, distance_m: float) -> Profile | None:
    end_m = read.profile.distance_m[-1]
    if abs(end_m - distance_m) >= LENGTH_SLACK * distance_m:
        have, want = read.distance.show(end_m), read.distance.show(distance_m)
        text = f"'{read.file}' is {have} long and the leg {want}; less than {LENGTH_SLACK:.0%} apart is allowed"
        row.fault("profile", f"{text}; check both distances and their units")
        return None
    scale = distance_m / end_m
    distances = (*(d * scale for d in read.profile.distance_m[:-1]), distance_m)
    return Profile(distance_m=distances, elevation_m=read.profile.elevation_m)
