"""Drafting a trip from a road: places, legs, names, speeds, temperatures, assumptions."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import numpy as np

from planner.files.names import new_key
from planner.files.tracks import GpxTrack, Spans, Stretches
from planner.ground import terrain, towns
from planner.ground.usual import PERIOD, usual_highs_lows
from planner.model.display import Units, counted, units_of
from planner.newtrip.cuts import STANDS_OUT_M, TOWN_M, Cut, apart_m, cuts_of
from planner.newtrip.speeds import OPEN_M_PER_S, TOWN_PEOPLE, speed_m_per_s

_SAME_M = 400.0  # distance within which a place passed again is the same place
_SAME_END_M = 150.0
_SAME_LENGTH = 0.03
_NEAR_M = 3000.0
_PASS_M = 150.0  # prominence above which a top is called a pass
_LODGING_PEOPLE, _FUEL_PEOPLE = 1500.0, 500.0
_STEEP = 0.03
_IN_NUMBER = re.compile(r"(?<=\d)(?:,(?=\d)| (?=(?:ft|m)\b))")  # in a key, 4210ft for 4,210 ft


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftPlace:
    """A future row of places.csv; elevations and temperatures in SI, None if unknown."""

    key: str
    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float
    kind: str
    services: str = ""
    high_k: float | None = None
    low_k: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftLeg:
    """A future row of legs.csv; `known` if all its elevations are known."""

    start: str
    finish: str
    distance_m: float
    speed_m_per_s: float
    known: bool
    rise_m: float = 0.0
    note: str = ""
    longer: GpxTrack | None = None  # the stretch, if longer than the line between its points


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A complete draft of a trip folder, with its assumptions."""

    name: str
    units: str
    departure: datetime
    route: tuple[str, ...]
    places: tuple[DraftPlace, ...]
    legs: tuple[DraftLeg, ...]
    track: GpxTrack
    assumed: tuple[str, ...]

    @property
    def longest_s(self) -> float:
        """Longest drive between two places to stay, or to either end."""
        stay = {place.key for place in self.places if "lodging" in place.services}
        longest = since = 0.0
        ways = {(leg.start, leg.finish): leg for leg in self.legs}
        for ends in pairwise(self.route):
            leg = ways.get(ends) or ways[ends[::-1]]
            since += leg.distance_m / leg.speed_m_per_s
            longest = max(longest, since)
            since = 0.0 if ends[1] in stay else since
        return longest


def draft_of(track: GpxTrack, *, name: str, departure: datetime) -> Draft:
    """Draft a trip along a track, from its first point to its last."""
    road = Stretches(track)
    units = _units(track)
    stops = _Stops(road, units_of(units))
    for cut in cuts_of(road):
        stops.add(cut)
    places = _with_temperatures(stops.places(), departure)
    return Draft(
        name=name,
        units=units,
        departure=departure,
        route=stops.route(),
        places=places,
        legs=stops.legs(),
        track=track,
        assumed=_assumed(track, places, units_of(units)),
    )


def _units(track: GpxTrack) -> str:
    near = towns.towns_near(track.lat_deg[0], track.lon_deg[0], within_m=100e3)
    return "us" if near and near[0][1].region in _US_LETTERS else "metric"


_US_LETTERS = frozenset(code.partition(" ")[2] for code in towns.STATES if code.startswith("US"))


class _Stops:
    """Converts cuts to places and legs; a place passed again is the same place."""

    def __init__(self, road: Stretches, units: Units) -> None:
        self._road, self._units = road, units
        self._places: list[DraftPlace] = []
        self._middles: list[tuple[float, float]] = []  # where the road passes larger towns, and how far aside
        self._stops: list[tuple[float, int]] = []
        self._legs: dict[tuple[int, int], DraftLeg] = {}
        self._middle_of: dict[tuple[int, int], tuple[float, float]] = {}  # of each leg
        self._used: dict[str, int] = {}  # keys

    def add(self, cut: Cut) -> None:
        """Stop at a cut."""
        number = self._place_at(cut)
        if cut.town is not None and cut.town.people >= TOWN_PEOPLE:
            self._middles.append((cut.at_m, self._road.apart_m(cut.at_m, cut.town.lat_deg, cut.town.lon_deg)))
        if self._stops and self._stops[-1][1] == number:
            return
        if self._stops and not self._leg_fits(self._stops[-1], (cut.at_m, number)):
            number = self._new(cut, self._point(cut.at_m), again=True)
        self._stops.append((cut.at_m, number))
        if len(self._stops) > 1:
            self._drive(self._stops[-2], self._stops[-1])

    def _point(self, at_m: float) -> tuple[float, float, float]:
        length_m = self._road.track.length_m
        part = self._road.part(max(0.0, at_m - 0.5), min(length_m, at_m + 0.5))
        index = -1 if at_m >= length_m else 0
        return part.lat_deg[index], part.lon_deg[index], self._height(at_m)

    def _height(self, at_m: float) -> float:
        """Elevation of the road, or the nearest known one within a few kilometres; else NaN."""
        along, height = self._road.along_m, self._road.height_m
        here = float(np.interp(at_m, along, height))
        known = np.isfinite(height) & (np.abs(along - at_m) <= _NEAR_M)
        if math.isfinite(here) or not known.any():
            return here
        return float(np.interp(at_m, along[known], height[known]))

    def _place_at(self, cut: Cut) -> int:
        point = self._point(cut.at_m)
        label = cut.name or (cut.town.full_name if cut.town is not None else "")
        for number, place in enumerate(self._places):
            if cut.kind != "end" and (not label or label != place.name):
                continue
            same_m = _SAME_END_M if cut.kind == "end" else _SAME_M
            if apart_m(point[0], point[1], place.lat_deg, place.lon_deg) <= same_m:
                return number
        return self._new(cut, point, again=False)

    def _new(self, cut: Cut, point: tuple[float, float, float], *, again: bool) -> int:
        name, kind = self._called(cut, point[2])
        if again or any(place.name == name for place in self._places):
            name = f"{name}, {self._mile(cut.at_m)}"
        height = point[2]
        if not math.isfinite(height):
            height = cut.town.elevation_m if cut.town is not None else float(terrain.ground_m(point[0], point[1]))
        self._places.append(
            DraftPlace(
                key=new_key(_IN_NUMBER.sub("", name), self._used),
                name=name,
                lat_deg=round(point[0], 5),
                lon_deg=round(point[1], 5),
                elevation_m=height,
                kind=kind,
                services=_services(cut.town),
                note="" if math.isfinite(point[2]) else "elevation not from the track",
            )
        )
        return len(self._places) - 1

    def _called(self, cut: Cut, height_m: float) -> tuple[str, str]:
        """Name and kind of a place."""
        if cut.name:
            return cut.name, "waypoint"
        if cut.town is not None:
            return cut.town.full_name, "town"
        mile = self._mile(cut.at_m)
        if not math.isfinite(height_m) or cut.kind in ("end", "edge"):
            return f"{'Start' if cut.at_m == 0.0 else 'Finish' if cut.kind == 'end' else 'Point'}, {mile}", "waypoint"
        height = self._shown(height_m)
        if cut.kind == "top":
            stands_out = self._stands_out(cut.at_m) >= _PASS_M
            return f"{'Pass' if stands_out else 'Top'} {height}, {mile}", "pass" if stands_out else "summit"
        return f"{'Foot of grade' if cut.kind == 'foot' else 'Grade turns'} {height}, {mile}", "waypoint"

    def _stands_out(self, at_m: float) -> float:
        """Prominence of a top over the lowest points within 30 km on both sides."""
        along, height = self._road.along_m, self._road.height_m
        here = float(np.interp(at_m, along, height))
        sides = [height[(along >= a) & (along <= b)] for a, b in ((at_m - 30e3, at_m), (at_m, at_m + 30e3))]
        return min(here - float(np.nanmin(side)) for side in sides if side.size and np.isfinite(side).any())

    def _mile(self, at_m: float) -> str:
        return f"{self._units.distance} {self._units.dist(at_m):,.0f}"

    def _leg_fits(self, before: tuple[float, int], here: tuple[float, int]) -> bool:
        """Whether a leg between two places is new, or the one driven before."""
        ends, length_m = (before[1], here[1]), here[0] - before[0]
        known = self._legs.get(ends) or self._legs.get(ends[::-1])
        if known is None:
            return True
        lat1, lon1 = self._middle_of.get(ends) or self._middle_of[ends[::-1]]
        lat2, lon2, _ = self._point(0.5 * (before[0] + here[0]))
        same_length = abs(known.distance_m - length_m) <= _SAME_LENGTH * length_m
        return same_length and apart_m(lat1, lon1, lat2, lon2) <= _SAME_M

    def _drive(self, before: tuple[float, int], here: tuple[float, int]) -> None:
        ends = (before[1], here[1])
        if ends in self._legs or ends[::-1] in self._legs:
            return
        part = self._road.part(before[0], here[0])
        begin, end = before[0] - TOWN_M, here[0] + TOWN_M
        inside = tuple((at_m - before[0], aside_m) for at_m, aside_m in self._middles if begin <= at_m <= end)
        known = not part.unknown and bool(np.isfinite(part.elevation_m).all())
        self._middle_of[ends] = self._point(0.5 * (before[0] + here[0]))[:2]
        self._legs[ends] = DraftLeg(
            start=self._places[ends[0]].key,
            finish=self._places[ends[1]].key,
            distance_m=part.length_m,
            speed_m_per_s=speed_m_per_s(part, inside),
            known=known,
            rise_m=part.elevation_m[-1] - part.elevation_m[0] if known else 0.0,
            note=self._told(part) if known else "elevations of this stretch are not known",
            longer=part if part.cut and known else None,
        )

    def _told(self, part: GpxTrack) -> str:
        """Description of a grade."""
        rise = part.elevation_m[-1] - part.elevation_m[0]
        grade = rise / part.length_m
        if abs(grade) < _STEEP or abs(rise) < STANDS_OUT_M:
            return ""
        return f"{'up' if rise > 0.0 else 'down'} {self._shown(abs(rise))} at {abs(grade):.1%}"

    def _shown(self, height_m: float) -> str:
        return f"{self._units.height(height_m):,.0f} {self._units.elevation}"

    def places(self) -> tuple[DraftPlace, ...]:
        """Return the places in the order of their first passing."""
        return tuple(self._places)

    def legs(self) -> tuple[DraftLeg, ...]:
        """Return the legs in the order of their first driving."""
        return tuple(self._legs.values())

    def route(self) -> tuple[str, ...]:
        """Return the keys of the places in order of passing."""
        return tuple(self._places[number].key for _, number in self._stops)


def _services(town: towns.Town | None) -> str:
    """Usual services of a town of that size (ASSUMED)."""
    people = 0.0 if town is None else town.people
    return (
        "fuel lodging food parking" if people >= _LODGING_PEOPLE else "fuel parking" if people >= _FUEL_PEOPLE else ""
    )


def _with_temperatures(places: Sequence[DraftPlace], departure: datetime) -> tuple[DraftPlace, ...]:
    """Fill in usual highs and lows where nearby stations are reliable."""
    where = [(place.lat_deg, place.lon_deg, place.elevation_m) for place in places]
    found = usual_highs_lows(where, day=departure.date())
    return tuple(
        place if one is None or not one.believed else replace(place, high_k=one.high_k, low_k=one.low_k)
        for place, one in zip(places, found, strict=True)
    )


def _assumed(track: GpxTrack, places: Sequence[DraftPlace], units: Units) -> tuple[str, ...]:
    """Sentences on assumptions, most important first."""
    said = []
    if track.unknown:
        said.append(
            f"Elevations are not known on {_total(track.unknown, units)}: those legs have no profile and their margins "
            "are not known."
        )
    if track.gaps:
        most = sum(b - a for a, b in track.gaps) > 0.5 * track.length_m
        order = "are the points in driving order?" if most else "the road is longer there."
        said.append(f"Straight lines without points over {_total(track.gaps, units)}; {order}")
    fastest = f"{units.pace(OPEN_M_PER_S):.0f} {units.speed}"
    said += [
        f"Speeds assumed from grades, bends and towns: {fastest} on open roads, less where the road requires it.",
        "Services assumed by the size of a town: fuel from 500 people, lodging from 1,500. Check them.",
    ]
    without = [place for place in places if place.high_k is None]
    if len(without) < len(places):
        said.append(f"Usual highs and lows from the nearest weather stations of the United States, {PERIOD}.")
    if without:
        names = ", ".join(place.name for place in without[:3])
        said.append(f"No usual highs and lows for {names}{_more(without, 3)}: enter them, or fetch a forecast.")
    limited = "limited to it (set 'heights' of the leg to tunnel or bridge, or make the trip anew with --steep)"
    for spans, text in (
        (track.steep, f"steeper than 15 %, {limited}"),
        (track.cut, "missing bends that widely spaced points cut off, lengthened"),
    ):
        if spans:
            first = ", ".join(f"{units.distance} {units.dist(a):,.1f}" for a, _ in spans[:4])
            said.append(f"In {counted(len(spans), 'place')} the track is {text}: {first}.")
    return (*said, *(f"Track: {note}." for note in track.notes))


def _total(spans: Spans, units: Units) -> str:
    """Total length of some stretches, and where the first ones are."""
    where = ", ".join(f"{units.distance} {units.dist(a):,.0f} to {units.dist(b):,.0f}" for a, b in spans[:5])
    return f"{units.dist(sum(b - a for a, b in spans)):,.0f} {units.distance} ({where}{_more(spans, 5)})"


def _more(items: Sequence[object], shown: int) -> str:
    return f" and {len(items) - shown} more" if len(items) > shown else ""
