"""Elevation profiles of legs, from CSV or a track, fitted to the leg; every change is reported."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from planner.files import limits
from planner.files.checks import END_ELEVATION_M, MAX_GRADE, steep_window
from planner.files.reading import Problems, file_fault, path_fault, read_bytes, read_text
from planner.files.tables import Column, InputTable, Row, read_table
from planner.files.tracks import REALLY_STEEP, STEEPEST, GpxTrack, Spans, Stretches, parse_gpx
from planner.model import geo
from planner.model.trip import Place, Profile
from thermal.errors import shown

END_DISTANCE_M = 2000.0
END_SHIFT_M = 100.0
"""Heights from satellites without a geoid are off by up to this much; so much is shifted, more is an error."""
TRACK_LENGTH_SLACK = 0.15
_TOLD = 0.005  # smaller differences of length are not reported
_FOOT_M = 0.3048
_MOST_SPANS = 3
_BESIDE_M = 150.0
_ASIDE_M = 60.0  # distance a road must leave a place before it counts as returning

Fault = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFit:
    """The leg a track must fit: its places, length, and distance format."""

    file: str
    start: Place
    finish: Place
    leg_m: float
    show: Callable[[float], str]
    fault: Fault

    def fit(self, whole: Stretches) -> tuple[GpxTrack, list[str]] | None:
        """Fit the part of a track between the leg's places, with notes on changes; None if a problem was reported."""
        track = self._between(whole)
        notes = list(track.notes) if track is whole.track else []
        backwards = self._backwards(track)
        if backwards:
            track = track.reverse()
            notes.insert(0, "recorded in the other direction, reversed")
        ends = [self._end_is_near(track, place, index) for place, index in ((self.start, 0), (self.finish, -1))]
        if not all(ends) or not self._length_fits(track):
            return None
        if abs(1.0 - track.length_m / self.leg_m) >= _TOLD:
            notes.insert(0, f"{self._off(track)} than the entered {self.show(self.leg_m)}, scaled to match")
        track = track.stretch(self.leg_m)
        shifted = track if track.unknown else self._at_places(track, notes)
        return None if shifted is None else (shifted, [*notes, *self._span_notes(shifted)])

    def _between(self, whole: Stretches) -> GpxTrack:
        """Part of a track between the leg's places, by the passages that best match the leg's distance."""
        track = whole.track
        if self._is_all_of(track):
            return track
        places = self.start, self.finish
        begins, ends = (
            whole.passages(place.lat_deg, place.lon_deg, within_m=END_DISTANCE_M, aside_m=_ASIDE_M) for place in places
        )
        ways = [
            (abs(abs(end - begin) - self.leg_m), off1 + off2, begin, end)
            for off1, begin in begins + self._at_leg_from(whole, ends, places[0])
            for off2, end in ends + self._at_leg_from(whole, begins, places[1])
        ]
        fit = [way for way in ways if way[0] <= TRACK_LENGTH_SLACK * self.leg_m]
        if not fit:
            return track
        _, _, begin, end = min(fit, key=lambda way: (way[0] + way[1], way[2:]))
        return whole.part(begin, end) if begin < end else whole.part(end, begin).reverse()

    def _at_leg_from(
        self, whole: Stretches, found: Sequence[tuple[float, float]], place: Place
    ) -> list[tuple[float, float]]:
        """Points of a track one leg length before or after others, if near a place."""
        at = [b + side * self.leg_m for _, b in found for side in (-1.0, 1.0)]
        near = [(whole.apart_m(b, place.lat_deg, place.lon_deg), b) for b in at if 0.0 <= b <= whole.track.length_m]
        return [one for one in near if one[0] <= _BESIDE_M]

    def _is_as_long(self, track: GpxTrack) -> bool:
        return abs(track.length_m - self.leg_m) <= TRACK_LENGTH_SLACK * self.leg_m

    def _is_all_of(self, track: GpxTrack) -> bool:
        """Whether a track already ends at the leg's places, in either direction."""
        if not self._is_as_long(track):
            return False
        first, last = (0, -1) if not self._backwards(track) else (-1, 0)
        pairs = ((first, self.start), (last, self.finish))
        return all(_apart_m(track, index, place) <= END_DISTANCE_M for index, place in pairs)

    def _backwards(self, track: GpxTrack) -> bool:
        onward = _apart_m(track, 0, self.start) + _apart_m(track, -1, self.finish)
        return _apart_m(track, -1, self.start) + _apart_m(track, 0, self.finish) < onward

    def _end_is_near(self, track: GpxTrack, place: Place, index: int) -> bool:
        apart_m = _apart_m(track, index, place)
        if apart_m <= END_DISTANCE_M:
            return True
        word = "begins" if index == 0 else "ends"
        text = (
            f"'{self.file}' {word} {self.show(apart_m)} from '{place.key}'; the maximum is {self.show(END_DISTANCE_M)}"
        )
        nearest_m, at_m = _nearest(track, place)
        if nearest_m <= END_DISTANCE_M:
            advice = f"the track passes it {self.show(at_m)} from its start; check the leg's distance"
        else:
            advice = f"its nearest point is {self.show(nearest_m)} away; check lat and lon, or name another file"
        self.fault(f"{text}; {advice}")
        return False

    def _off(self, track: GpxTrack) -> str:
        share = track.length_m / self.leg_m - 1.0
        return f"{abs(share):.1%} {'longer' if share > 0 else 'shorter'}"

    def _length_fits(self, track: GpxTrack) -> bool:
        if self._is_as_long(track):
            return True
        text = f"'{self.file}' is {self.show(track.length_m)} long, {self._off(track)} than the leg's"
        text += f" {self.show(self.leg_m)}; the maximum is {TRACK_LENGTH_SLACK:.0%}"
        if track.length_m > self.leg_m and track.tracks > 1:
            self.fault(f"{text}; it contains {track.tracks} tracks, joined in order: keep only this leg's track")
        else:
            self.fault(f"{text}; check the distance and its unit, and that the track covers only this leg")
        return False

    def _at_places(self, track: GpxTrack, notes: list[str]) -> GpxTrack | None:
        """Shift elevations to match the places if slightly off; report larger differences."""
        begin_m = self.start.elevation_m - track.elevation_m[0]
        end_m = self.finish.elevation_m - track.elevation_m[-1]
        off_m = max(abs(begin_m), abs(end_m))
        if off_m <= END_ELEVATION_M:
            return track
        if off_m > END_SHIFT_M:
            self._height_faults(track)
            return None
        shift = np.interp(track.distance_m, (0.0, self.leg_m), (begin_m, end_m))
        by = f"{shift[0]:+.0f} m at the start and {shift[-1]:+.0f} m at the end"
        notes.append(f"elevations shifted by {by} to match the places")
        return replace(track, elevation_m=tuple((np.array(track.elevation_m) + shift).tolist()))

    def _height_faults(self, track: GpxTrack) -> None:
        for place, index, word in ((self.start, 0, "begins"), (self.finish, -1, "ends")):
            here = track.elevation_m[index]
            if abs(place.elevation_m - here) <= END_SHIFT_M:
                continue
            text = f"'{self.file}' {word} at {here:,.0f} m but '{place.key}' is at {place.elevation_m:,.0f} m"
            feet = abs(here * _FOOT_M - place.elevation_m) <= END_SHIFT_M
            advice = "is the file in feet? GPX elevations are in metres" if feet else "check both"
            self.fault(f"{text}; the maximum difference is {END_SHIFT_M:.0f} m; {advice}")

    def _span_notes(self, track: GpxTrack) -> list[str]:
        notes = []
        if track.gaps:
            total = self.show(sum(end - begin for begin, end in track.gaps))
            grade = "" if track.unknown else " and constant grade"
            notes.append(f"without points on {total} ({self._list(track.gaps)}), a straight line{grade} assumed there")
        if track.unknown:
            total = self.show(sum(end - begin for begin, end in track.unknown))
            where = f"heights not known on {total} ({self._list(track.unknown)}) where the ground is not level"
            notes.append(f"{where}, so the leg has no profile")
        if track.cut:
            notes.append(
                f"widely spaced points cut off bends ({self._list(track.cut)}); the distance there is lengthened"
            )
        if track.steep:
            advice = f"limited to {STEEPEST:.0%}; for a tunnel, a bridge or a real grade set 'heights'"
            notes.append(f"steeper than {STEEPEST:.0%} ({self._list(track.steep)}), {advice}")
        return notes

    def _list(self, spans: Spans) -> str:
        shown = [f"{self.show(begin)} to {self.show(end)}" for begin, end in spans[:_MOST_SPANS]]
        rest = len(spans) - _MOST_SPANS
        return ", ".join(shown) + (f" and {rest} more" if rest > 0 else "")


def _apart_m(track: GpxTrack, index: int, place: Place) -> float:
    return geo.distance_m(
        lat1_deg=track.lat_deg[index],
        lon1_deg=track.lon_deg[index],
        lat2_deg=place.lat_deg,
        lon2_deg=place.lon_deg,
    )


def _nearest(track: GpxTrack, place: Place) -> tuple[float, float]:
    """Distance to the track's nearest point, and how far along it lies."""
    apart_m = geo.distances_m(
        lat1_deg=track.lat_deg, lon1_deg=track.lon_deg, lat2_deg=place.lat_deg, lon2_deg=place.lon_deg
    )
    at = int(np.argmin(apart_m))
    return float(apart_m[at]), track.distance_m[at]


LENGTH_SLACK = 0.05  # a profile less than this much longer or shorter than its leg is scaled
_MIN_STEP_M = 0.01
HEIGHTS = ("as drawn", "tunnel", "bridge", "steep")
"""Whether the heights drawn are the road's: a tunnel or a bridge runs evenly between its ends, whatever is drawn."""
_EVEN_STEP_M = 2000.0  # between points of a constant grade
_TABLES = {"places.csv", "places-filled.csv", "legs.csv", "weather.csv", "readings.csv"}
_MAX_BYTES = {".csv": limits.TABLE_BYTES, ".gpx": limits.GPX_BYTES}

ELEVATION = Column(name="elevation", number=True, unit="m", usual=("ft", "m"), example="1250", low=-450.0, high=6500.0)
PROFILE_COLUMNS = (
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="0.5", low=0.0, high=2e7),
    ELEVATION,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadProfile:
    profile: Profile
    table: InputTable


class Profiles:
    """Reads each profile of a folder once and fits it to the legs that name it.

    `notes` list the changes made to fit tracks.
    """

    def __init__(self, folder: Path, problems: Problems) -> None:
        self._folder, self._problems = folder, problems
        self._read: dict[tuple[str, bool], _ReadProfile | Stretches | None] = {}
        self._bytes = self._points = 0
        self.notes: list[str] = []
        self.place_rows: Mapping[str, tuple[str, int]] = {}  # where each place stands, for messages

    def for_leg(self, row: Row, distance_m: float | None, ends: Sequence[Place | None]) -> Profile | None:
        """Return the profile a leg names, scaled to its distance; None when there is none or it is bad."""
        name, built = row.cell("profile"), row.choice("heights", HEIGHTS, HEIGHTS[0])
        found = self._of_file(row, name, distance_m, ends, steep=built == "steep") if name else None
        return _even(found, distance_m, ends) if built in ("tunnel", "bridge") else found

    def _of_file(
        self, row: Row, name: str, distance_m: float | None, ends: Sequence[Place | None], *, steep: bool
    ) -> Profile | None:
        if (name, steep) not in self._read:
            self._read[name, steep] = self._load(row, name, steep=steep)
        read = self._read[name, steep]
        start, finish = ends
        if read is None or distance_m is None or start is None or finish is None:  # already reported
            return None
        if isinstance(read, Stretches):
            found = self._fitted_track(row, read, distance_m, (start, finish))
        else:
            found = _fitted(row, read, distance_m) if self._ends_meet(row, read, (start, finish)) else None
        self._points += 0 if found is None else len(found.distance_m)
        if self._points > limits.PROFILE_POINTS:
            most = f"{limits.PROFILE_POINTS:,} points"
            row.fault("profile", f"all profiles together have more than {most}; simplify them", code="too-large")
            return None
        return found

    def _load(self, row: Row, name: str, *, steep: bool) -> "_ReadProfile | Stretches | None":
        fault = self._path_fault(name)
        if fault is not None:
            row.fault("profile", f"read {shown(name)}; {fault}", code="file-access")
            return None
        self._bytes += (self._folder / name).stat().st_size
        if self._bytes > limits.PROFILES_BYTES:
            most = f"{limits.PROFILES_BYTES / 1e6:.0f} MB"
            text = f"all profiles together have more than {most}; simplify them, or name each file in only one way"
            row.fault("profile", text, code="too-large")
            return None
        if name.casefold().endswith(".gpx"):
            path = self._folder / name
            data = read_bytes(path, file=name, max_bytes=limits.GPX_BYTES, problems=self._problems)
            cap = REALLY_STEEP if steep else STEEPEST
            track = None if data is None else parse_gpx(data, file=name, problems=self._problems, steepest=cap)
            return None if track is None else Stretches(track)
        return _read_profile(self._folder / name, name, self._problems)

    def _fitted_track(self, row: Row, whole: Stretches, distance_m: float, ends: tuple[Place, Place]) -> Profile | None:
        fit = TrackFit(
            file=row.cell("profile"),
            start=ends[0],
            finish=ends[1],
            leg_m=distance_m,
            show=row.table.headings["distance"].show,
            fault=lambda text: row.fault("profile", text, code="profile"),
        )
        fitted = fit.fit(whole)
        if fitted is None:
            return None
        track, notes = fitted
        if notes:
            where = f"'{fit.file}' ({row.table.file} row {row.number})"
            self.notes.append(f"Track {where}: {'; '.join(notes)}.")
        return None if track.unknown else track.profile()

    def _ends_meet(self, row: Row, read: "_ReadProfile", ends: tuple[Place, Place]) -> bool:
        """Whether a profile's ends match the elevations of its places; report mismatches."""
        before = len(self._problems)
        for place, index, word in zip(ends, (0, -1), ("begins", "ends"), strict=True):
            elevation_m = read.profile.elevation_m[index]
            if abs(place.elevation_m - elevation_m) <= END_ELEVATION_M:
                continue
            here, there = read.table.show("elevation", elevation_m), read.table.show("elevation", place.elevation_m)
            slip = _unit_slip(place, elevation_m)
            if slip:
                file, number = self.place_rows[place.key]
                text = f"read {there}; '{read.table.file}' ({row.table.file} row {row.number}) {word} at {here}; {slip}"
                self._problems.add(file, text, row=number, column="elevation", code="profile")
                continue
            most = read.table.show("elevation", END_ELEVATION_M)
            text = f"'{read.table.file}' {word} at {here} but '{place.key}' is at {there}; the maximum difference is"
            advice = "check both, and that the profile runs from 'from' to 'to'"
            row.fault("profile", f"{text} {most}; {advice}", code="profile")
        return len(self._problems) == before

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
            files = sorted(p for p in beside.glob("*") if p.suffix.casefold() in _MAX_BYTES and p.name not in _TABLES)
            there = [str(p.relative_to(self._folder).as_posix()) for p in files[:200]]
            advice = f"; {self._problems.nearest(name, there)}" if there else " in the trip folder"
            return f"no such file{advice}"
        return None if fault is None else f"it {fault}"


def _even(drawn: Profile | None, distance_m: float | None, ends: Sequence[Place | None]) -> Profile | None:
    """Interpolate linearly between the ends of a leg, through known points."""
    start, finish = ends
    if distance_m is None or start is None or finish is None:
        return drawn
    if drawn is None:
        along = np.linspace(0.0, distance_m, 2 + int(distance_m / _EVEN_STEP_M))
        drawn = Profile(distance_m=tuple(along.tolist()), elevation_m=())
    height = np.interp(drawn.distance_m, (0.0, distance_m), (start.elevation_m, finish.elevation_m))
    return replace(drawn, elevation_m=tuple(height.tolist()))


def _read_profile(path: Path, file: str, problems: Problems) -> _ReadProfile | None:
    before, table = len(problems), None
    text = read_text(path, file=file, problems=problems)
    if text is not None:
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
    return _ReadProfile(profile=profile, table=table)


def _check_shape(table: InputTable, profile: Profile) -> None:
    first, distance = table.rows[0], table.headings["distance"]
    if len(table.rows) < 2:
        text = "has only one point; it needs at least the two ends of the leg"
        table.problems.add(table.file, text, code="track")
        return
    if profile.distance_m[0] != 0.0:
        first.fault("distance", f"read {shown(first.cell('distance'))}; the first distance must be 0", code="order")
    for row, (before_m, here_m) in zip(table.rows[1:], pairwise(profile.distance_m), strict=True):
        if here_m - before_m < _MIN_STEP_M:
            text = f"read {shown(row.cell('distance'))}; distances must increase from row to row"
            row.fault("distance", text, code="order")
            return
    steep = steep_window(profile)
    if steep is not None:
        text = f"the road has {steep[1]:.0%} over 500 m or more, starting at {distance.show(steep[0])}"
        advice = f"the maximum is {MAX_GRADE:.0%}; check the elevations there and the units in the heading"
        table.problems.add(table.file, f"{text}; {advice}", code="steep")


def _unit_slip(place: Place, profile_m: float) -> str:
    """Ask whether a place's elevation was typed in the other unit; empty if that does not explain the difference."""
    if abs(place.elevation_m / _FOOT_M - profile_m) <= END_ELEVATION_M:
        return "is it in metres under a heading in feet?"
    if abs(place.elevation_m * _FOOT_M - profile_m) <= END_ELEVATION_M:
        return "is it in feet under a heading in metres?"
    return ""


def _fitted(row: Row, read: _ReadProfile, distance_m: float) -> Profile | None:
    end_m = read.profile.distance_m[-1]
    if abs(end_m - distance_m) >= LENGTH_SLACK * distance_m:
        have, want = read.table.show("distance", end_m), read.table.show("distance", distance_m)
        text = f"'{read.table.file}' is {have} long and the leg {want}; the maximum difference is {LENGTH_SLACK:.0%}"
        row.fault("profile", f"{text}; check both distances and their units", code="profile")
        return None
    scale = distance_m / end_m
    distances = (*(d * scale for d in read.profile.distance_m[:-1]), distance_m)
    return Profile(distance_m=distances, elevation_m=read.profile.elevation_m)
