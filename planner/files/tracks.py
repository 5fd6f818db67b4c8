"""Fitting a GPX track to the leg that names it: direction, ends, heights, length; each change is told."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from planner.files.checks import END_ELEVATION_M
from planner.files.gpx import STEEPEST, GpxTrack, Spans
from planner.model.geo import distance_m
from planner.model.trip import Place

END_DISTANCE_M = 2000.0
END_SHIFT_M = 100.0
"""Heights from satellites without a geoid are off by up to this much; so much is shifted, more is an error."""
LENGTH_SLACK = 0.15
_TOLD = 0.005  # a length less than this much off is not worth a sentence
_FOOT_M = 0.3048
_MOST_SPANS = 3

Fault = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedTrack:
    """A track in the direction, with the length and the end heights of its leg.

    `scale` is the leg's length over the track's; `notes` are parts of one sentence.
    """

    track: GpxTrack
    scale: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFit:
    """The leg a track must fit: its places, None for one with a fault, its length, and how to write a distance."""

    file: str
    start: Place | None
    finish: Place | None
    leg_m: float
    show: Callable[[float], str]
    fault: Fault

    def fit(self, track: GpxTrack) -> FittedTrack | None:
        """Return the track fitted to the leg; None when it cannot be, which has then been noted.

        Parameters
        ----------
        track : GpxTrack
            As read. [-]

        Returns
        -------
        FittedTrack or None
            Driven from `start` to `finish`.
        """
        notes = list(track.notes)
        backwards = self._backwards(track)
        if backwards:
            track = track.reverse()
            notes.insert(0, "recorded the other way round, reversed")
        ends = [self._end_is_near(track, place, index) for place, index in ((self.start, 0), (self.finish, -1))]
        if not all(ends) or not self._length_fits(track):
            return None
        scale = self.leg_m / track.length_m
        if abs(1.0 - 1.0 / scale) >= _TOLD:
            notes.insert(0, f"{self._off(track)} than the entered {self.show(self.leg_m)}, scaled to it")
        track = track.stretch(self.leg_m)
        shifted = self._at_places(track)
        if shifted is None:
            return None
        track, note = shifted
        notes += [note] if note else []
        notes += self._span_notes(track)
        return FittedTrack(track=track, scale=scale, notes=tuple(notes))

    def _backwards(self, track: GpxTrack) -> bool:
        if self.start is None or self.finish is None:
            return False
        onward = _apart_m(track, 0, self.start) + _apart_m(track, -1, self.finish)
        return _apart_m(track, -1, self.start) + _apart_m(track, 0, self.finish) < onward

    def _end_is_near(self, track: GpxTrack, place: Place | None, index: int) -> bool:
        apart_m = 0.0 if place is None else _apart_m(track, index, place)
        if place is None or apart_m <= END_DISTANCE_M:
            return True
        word = "begins" if index == 0 else "ends"
        text = f"'{self.file}' {word} {self.show(apart_m)} from '{place.key}'; the most is {self.show(END_DISTANCE_M)}"
        nearest_m, at_m = _nearest(track, place)
        if nearest_m <= END_DISTANCE_M:
            advice = f"it passes there {self.show(at_m)} along the track: cut the file off at that point"
        else:
            advice = f"it comes no nearer than {self.show(nearest_m)}; check lat and lon, or name another file"
        self.fault(f"{text}; {advice}")
        return False

    def _off(self, track: GpxTrack) -> str:
        share = track.length_m / self.leg_m - 1.0
        return f"{abs(share):.1%} {'longer' if share > 0 else 'shorter'}"

    def _length_fits(self, track: GpxTrack) -> bool:
        if abs(track.length_m - self.leg_m) <= LENGTH_SLACK * self.leg_m:
            return True
        text = f"'{self.file}' is {self.show(track.length_m)} long, {self._off(track)} than the leg's"
        text += f" {self.show(self.leg_m)}; the most is {LENGTH_SLACK:.0%}"
        if track.length_m > self.leg_m and track.tracks > 1:
            self.fault(f"{text}; it holds {track.tracks} tracks, joined in order: keep only this leg's")
        else:
            self.fault(f"{text}; check the distance and its unit, and that the track is of this road alone")
        return False

    def _at_places(self, track: GpxTrack) -> tuple[GpxTrack, str] | None:
        """Shift elevations to meet the places' where they are a little off; note where far off."""
        first, last = track.elevation_m[0], track.elevation_m[-1]
        begin_m = None if self.start is None else self.start.elevation_m - first
        last_m = None if self.finish is None else self.finish.elevation_m - last
        off = [abs(shift) for shift in (begin_m, last_m) if shift is not None]
        if not off or max(off) <= END_ELEVATION_M:
            return track, ""
        if max(off) > END_SHIFT_M:
            self._height_faults(track)
            return None
        at_start = begin_m if begin_m is not None else last_m
        at_finish = last_m if last_m is not None else begin_m
        shift = np.interp(track.distance_m, (0.0, self.leg_m), np.array([at_start, at_finish], dtype=np.float64))
        note = (
            f"elevations shifted by {shift[0]:+.0f} m at the start and {shift[-1]:+.0f} m at the end to meet the places"
        )
        return replace(track, elevation_m=tuple((np.array(track.elevation_m) + shift).tolist())), note

    def _height_faults(self, track: GpxTrack) -> None:
        for place, index, word in ((self.start, 0, "begins"), (self.finish, -1, "ends")):
            if place is None or abs(place.elevation_m - track.elevation_m[index]) <= END_SHIFT_M:
                continue
            here = track.elevation_m[index]
            text = f"'{self.file}' {word} at {here:,.0f} m but '{place.key}' lies at {place.elevation_m:,.0f} m"
            feet = abs(here * _FOOT_M - place.elevation_m) <= END_SHIFT_M
            advice = "is the file in feet? a GPX holds metres" if feet else "check both"
            self.fault(f"{text}; at most {END_SHIFT_M:.0f} m apart; {advice}")

    def _span_notes(self, track: GpxTrack) -> list[str]:
        notes = []
        if track.gaps:
            total = self.show(sum(end - begin for begin, end in track.gaps))
            notes.append(f"without points on {total} ({self._list(track.gaps)}), a straight line and even grade there")
        if track.steep:
            advice = f"limited to {STEEPEST:.0%}; if a tunnel or a bridge, delete those points"
            notes.append(f"steeper than {STEEPEST:.0%} ({self._list(track.steep)}), {advice}")
        return notes

    def _list(self, spans: Spans) -> str:
        shown = [f"{self.show(begin)} to {self.show(end)}" for begin, end in spans[:_MOST_SPANS]]
        rest = len(spans) - _MOST_SPANS
        return ", ".join(shown) + (f" and {rest} more" if rest > 0 else "")


def _apart_m(track: GpxTrack, index: int, place: Place) -> float:
    return distance_m(
        lat1_deg=track.lat_deg[index],
        lon1_deg=track.lon_deg[index],
        lat2_deg=place.lat_deg,
        lon2_deg=place.lon_deg,
    )


def _nearest(track: GpxTrack, place: Place) -> tuple[float, float]:
    """Distance to the track's nearest point, and how far along it lies."""
    lat, lon = np.radians(np.array(track.lat_deg)), np.radians(np.array(track.lon_deg) - place.lon_deg)
    here = np.radians(place.lat_deg)
    half = np.sin((lat - here) / 2.0) ** 2 + np.cos(lat) * np.cos(here) * np.sin(lon / 2.0) ** 2
    at = int(np.argmin(half))
    return _apart_m(track, at, place), track.distance_m[at]
