"""Checks across the files of a trip, each with a guess at the cause."""

import math
import statistics
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from planner.files.names import PlaceNames
from planner.files.reading import Problems
from planner.files.settings import FILE, Settings
from planner.files.tables import Heading, InputTable, number_of
from planner.model import geo
from planner.model.trip import Leg, Place, Profile, passing_of, reached_from
from thermal.errors import shown

MAX_GRADE = 0.20  # ASSUMED: steeper than any through road over half a kilometre
GRADE_BASE_M = 500.0
END_ELEVATION_M = 30.0
_FOOT_M = 0.3048
_COOL_K = 280.0  # 45 degF: a daily high or low below it in a degF column may have been typed in degC
_APART_K = 25.0
_SUMMER_HIGH_K = 283.15
_WINDING = 3.0  # ASSUMED: road over straight line; the winding passes of the examples reach 2.6
_FEW = 3  # rows that may each be a slip of their own
_EXAMINED = 200  # temperatures; more than a few cold ones are the weather


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """Places and legs as read, with their rows; faulty rows are excluded."""

    places: Mapping[str, Place]
    place_rows: Mapping[str, int]
    place_table: InputTable
    legs: Sequence[Leg]
    leg_rows: Sequence[int]
    leg_table: InputTable
    problems: Problems

    def numbered(self) -> Iterator[tuple[int, Leg]]:
        """Yield row and leg for legs whose both places are known."""
        for row, leg in zip(self.leg_rows, self.legs, strict=True):
            if leg.start in self.places and leg.finish in self.places:
                yield row, leg

    @property
    def complete(self) -> bool:
        """Whether every row gave a place or a leg, and there is at least one of each."""
        places, legs = len(self.place_table.rows), len(self.leg_table.rows)
        return 0 < places == len(self.places) and 0 < legs == len(self.legs)

    def leg_fault(self, row: int, text: str, column: str = "", *, code: str) -> None:
        """Report a problem of one leg."""
        self.problems.add(self.leg_table.file, text, row=row, column=self.leg_table.written(column), code=code)

    def show_distance(self, distance_m: float) -> str:
        """Return a distance in the unit of the table of legs."""
        return self.leg_table.show("distance", distance_m)

    def show_elevation(self, elevation_m: float) -> str:
        """Return an elevation in the unit of the table of places."""
        return self.place_table.show("elevation", elevation_m)


# --- error at one place, guessed from its legs ---

Bad = Callable[[Leg, Place, Place], bool]
Change = Callable[[Place], Place | None]


def _culprits(leg: Leg, draft: Draft, *, bad: Bad, change: Change) -> list[str]:
    """Return the end or ends whose correction would fix this leg and leave the fewest other legs faulty."""
    best, names = 0, []
    for key in (leg.start, leg.finish):
        other = change(draft.places[key])
        if other is None or bad(leg, *_ends(leg, draft, key, other)):
            continue
        touching = [near for _, near in draft.numbered() if key in (near.start, near.finish)]
        before = sum(bad(near, draft.places[near.start], draft.places[near.finish]) for near in touching)
        gain = before - sum(bad(near, *_ends(near, draft, key, other)) for near in touching)
        if gain > best:
            best, names = gain, [key]
        elif gain == best and gain > 0:
            names.append(key)
    return names


def _ends(leg: Leg, draft: Draft, key: str, other: Place) -> tuple[Place, Place]:
    start = other if leg.start == key else draft.places[leg.start]
    return start, other if leg.finish == key else draft.places[leg.finish]


def _named(names: Sequence[str]) -> str:
    return " or ".join(f"'{name}'" for name in names)


def _swap(place: Place) -> Place | None:
    return replace(place, lat_deg=place.lon_deg, lon_deg=place.lat_deg) if abs(place.lon_deg) <= 90 else None


def check_columns(draft: Draft) -> None:
    """Report two columns that are exchanged in every row, as the cause of the other problems."""
    table, legs, heads = draft.place_table, [leg for _, leg in draft.numbered()], draft.leg_table.headings
    beyond = sum(90 < _plain(row.cell("lat")) <= 180 and _plain(row.cell("lon")) <= 90 for row in table.rows)
    if beyond > _FEW:
        text = f"are lat and lon swapped? {beyond} rows have a lat beyond 90; exchange the two headings"
        draft.problems.cause(table.file, text, column=table.written("lat"), code="position")
        return
    odd = _odd([leg.distance_m for leg in legs], legs, draft)
    if odd > _FEW and odd > 0.4 * len(legs):
        meant = [heads["distance"].to_si(heads["speed"].from_si(leg.speed_m_per_s)) for leg in legs]
        if 4 * _odd(meant, legs, draft) <= odd:
            found = f"{odd} of {len(legs)} distances do not fit the places"
            text = f"are distance and speed swapped? {found}; exchange the two headings"
            draft.problems.cause(draft.leg_table.file, text, column=heads["distance"].written, code="distance")


def _plain(text: str) -> float:
    """Absolute value of a cell; 0 for a text."""
    value = number_of(text)
    return 0.0 if isinstance(value, str) else abs(value)


def _odd(roads_m: Sequence[float], legs: Sequence[Leg], draft: Draft) -> int:
    """Count distances that do not suit the straight lines between the ends of their legs."""
    starts, ends = ([draft.places[getattr(leg, end)] for leg in legs] for end in ("start", "finish"))
    lines_m = geo.distances_m(
        lat1_deg=[place.lat_deg for place in starts],
        lon1_deg=[place.lon_deg for place in starts],
        lat2_deg=[place.lat_deg for place in ends],
        lon2_deg=[place.lon_deg for place in ends],
    )
    pairs = zip(roads_m, lines_m, strict=True)
    return sum(line_m > road_m * 1.02 + 1000.0 or road_m > _WINDING * line_m + 1000.0 for road_m, line_m in pairs)


def check_positions(draft: Draft) -> None:
    """Report legs shorter than the straight line between their places."""
    for row, leg in draft.numbered():
        start, finish = draft.places[leg.start], draft.places[leg.finish]
        if _too_far(leg, start, finish):
            road, line = draft.show_distance(leg.distance_m), draft.show_distance(geo.apart_m(start, finish))
            text = f"'{leg.start}' to '{leg.finish}' is {road} by road but {line} in a straight line"
            draft.leg_fault(row, f"{text}; {_position_hint(leg, draft)}", "distance", code="distance")


def _too_far(leg: Leg, a: Place, b: Place) -> bool:
    return geo.apart_m(a, b) > leg.distance_m * 1.02 + 1000.0


def _position_hint(leg: Leg, draft: Draft) -> str:
    if not draft.problems.many:
        slips: tuple[tuple[str, Change], ...] = (
            ("are lat and lon of {} swapped?", _swap),
            ("has lon of {} the wrong sign (west is negative)?", lambda place: replace(place, lon_deg=-place.lon_deg)),
            ("has lat of {} the wrong sign (south is negative)?", lambda place: replace(place, lat_deg=-place.lat_deg)),
        )
        for words, change in slips:
            names = _culprits(leg, draft, bad=_too_far, change=change)
            if names:
                return words.format(_named(names))
    return "check the distance, its unit, and lat and lon of both places"


def check_grades(draft: Draft) -> None:
    """Note legs too steep between their ends, and say which place would fit in feet or metres."""
    for row, leg in draft.numbered():
        start, finish = draft.places[leg.start], draft.places[leg.finish]
        if not _too_steep(leg, start, finish):
            continue
        rise = f"from {draft.show_elevation(start.elevation_m)} to {draft.show_elevation(finish.elevation_m)}"
        grade = abs(finish.elevation_m - start.elevation_m) / leg.distance_m
        text = f"'{leg.start}' to '{leg.finish}' changes elevation {rise} in {draft.show_distance(leg.distance_m)}"
        text += f", {grade:.0%}; the maximum grade is {MAX_GRADE:.0%}; {_elevation_hint(leg, draft)}"
        draft.leg_fault(row, text, code="steep")


def _too_steep(leg: Leg, a: Place, b: Place) -> bool:
    return not leg.carried and abs(b.elevation_m - a.elevation_m) > MAX_GRADE * max(leg.distance_m, GRADE_BASE_M)


def _elevation_hint(leg: Leg, draft: Draft) -> str:
    heading = draft.place_table.headings.get("elevation")
    if heading is None or draft.problems.many:
        return "check both elevations and the distance"
    typed, factor = ("feet", _FOOT_M) if math.isclose(heading.scale, 1.0) else ("metres", 1 / heading.scale)

    def change(place: Place) -> Place:
        return replace(place, elevation_m=place.elevation_m * factor)

    names = _culprits(leg, draft, bad=_too_steep, change=change)
    if not names:
        return "check both elevations and the distance"
    rows = " and ".join(str(draft.place_rows[name]) for name in names)
    return f"was the elevation of {_named(names)} typed in {typed} ({draft.place_table.file} row {rows})?"


def steep_window(profile: Profile) -> tuple[float, float] | None:
    """Find the first stretch of at least 500 m that is too steep for a road.

    >>> steep_window(Profile(distance_m=(0.0, 600.0), elevation_m=(0.0, 300.0)))
    (0.0, 0.5)
    """
    ahead = 0
    for begin_m, low_m in zip(profile.distance_m, profile.elevation_m, strict=True):
        while profile.distance_m[ahead] - begin_m < GRADE_BASE_M:
            ahead += 1
            if ahead == len(profile.distance_m):
                return None
        grade = (profile.elevation_m[ahead] - low_m) / (profile.distance_m[ahead] - begin_m)
        if abs(grade) > MAX_GRADE:
            return begin_m, grade
    return None


def check_duplicates(draft: Draft) -> None:
    """Report legs entered twice, or two-way and again in the opposite direction."""
    seen: dict[tuple[str, str, str], int] = {}
    driven: dict[tuple[str, str, str], int] = {}  # open ways, both directions of two-way legs
    for row, leg in zip(draft.leg_rows, draft.legs, strict=True):
        way, back = (leg.start, leg.finish, leg.road), (leg.finish, leg.start, leg.road)
        again = f"'{leg.start}' to '{leg.finish}'" + (f" by '{leg.road[:40]}'" if leg.road else "")
        if way in seen:
            text = f"{again} is also in row {seen[way]}; delete one, or enter a different road"
            draft.leg_fault(row, text, code="duplicate")
        elif leg.open and (way in driven or (leg.two_way and back in driven)):
            first = driven.get(way, driven.get(back))
            advice = "write 'no' under two_way in both rows, delete one, or enter a different road"
            text = f"{again} repeats the leg of row {first} in the other direction; {advice}"
            draft.leg_fault(row, text, code="duplicate")
        seen.setdefault(way, row)
        for each in ((way, back) if leg.two_way else (way,)) if leg.open else ():
            driven.setdefault(each, row)


# --- temperatures ---


def check_temperatures(draft: Draft, departure: datetime) -> None:
    """Report temperatures that look like degC values in a degF column."""
    for name in ("high", "low"):
        heading = draft.place_table.headings.get(name)
        if heading is None or math.isclose(heading.scale, 1.0):
            continue
        temps = ((place.high_k if name == "high" else place.low_k, key) for key, place in draft.places.items())
        given = sorted((temp_k, key) for temp_k, key in temps if temp_k is not None)
        if not (name == "high" and _wintry_summer(draft, given, departure)):
            _check_odd_ones(draft, given, heading)


def _check_odd_ones(draft: Draft, given: Sequence[tuple[float, str]], heading: Heading) -> None:
    """Report single cells far below the rest that are plausible in degC."""
    for temp_k, key in given[:_EXAMINED]:
        if temp_k >= _COOL_K or len(given) < 2:
            return
        median_k = statistics.median(other_k for other_k, other in given if other != key)
        as_celsius_k = (temp_k - heading.offset) / heading.scale + 273.15
        if median_k - temp_k > _APART_K and abs(as_celsius_k - median_k) < _APART_K:
            text = f"read {heading.show(temp_k)}; the other places have about {heading.show(median_k)}; is it in degC?"
            file, row = draft.place_table.file, draft.place_rows[key]
            draft.problems.add(file, text, row=row, column=heading.written, code="temperature-unit")


def _wintry_summer(draft: Draft, given: Sequence[tuple[float, str]], departure: datetime) -> bool:
    """Report one problem for a column of midsummer highs below 10 degC at low elevation outside the far north."""
    if not given or given[len(given) // 2][0] > _SUMMER_HIGH_K:
        return False
    typical = draft.places[given[len(given) // 2][1]]
    summer = (6, 7, 8) if typical.lat_deg > 0 else (12, 1, 2)
    if departure.month not in summer or not 25 < abs(typical.lat_deg) < 55 or typical.elevation_m > 3000:
        return False
    heading = draft.place_table.headings["high"]
    text = f"half of the highs are below {heading.show(_SUMMER_HIGH_K)} in summer; are they in degC?"
    draft.problems.add(draft.place_table.file, text, column=heading.written, code="temperature-unit")
    return True


def check_route(settings: Settings, draft: Draft, known: Mapping[str, int], names: PlaceNames) -> None:
    """Report unknown places in trip.toml, and connections without an open leg."""
    if not _names_known(settings, draft, known, names):
        return
    label = "route" if settings.explicit else "start"
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        if a == b:
            draft.problems.add(FILE, f"'{a}' is listed twice in a row; delete one", key=label, code="same-place")
            return
    if not draft.complete:
        return  # the leg's row has already been reported
    if settings.explicit:
        _check_listed(settings, draft)
    else:
        _check_reachable(settings, draft)


def _names_known(settings: Settings, draft: Draft, known: Mapping[str, int], names: PlaceNames) -> bool:
    named = [("route", key) for key in settings.route]
    if not settings.explicit and settings.route:
        ends = [("start", settings.route[0]), ("finish", settings.route[-1])]
        named = ends + [("via", key) for key in settings.route[1:-1]]
    extra = [("nights", passing_of(key)[0]) for key in settings.nights]
    extra += [(f"halt {n} place", halt.place) for n, halt in enumerate(settings.halts, start=1) if halt.place]
    extra += [("rest", passing_of(key)[0]) for key in settings.rest]
    extra += [(f"event {n} place", event.place) for n, event in enumerate(settings.events, start=1) if event.place]
    for label, key in named + extra:
        if key not in known:
            advice = names.several(key) or draft.problems.nearest(key, known)
            text = f"read {shown(key)}, which is not in {draft.place_table.file}; {advice}"
            draft.problems.add(FILE, text, key=label, code="unknown-place")
        elif settings.explicit and label != "route" and key not in settings.route:
            text = f"'{key}' is not on the route; add it to the route, or remove it here"
            draft.problems.add(FILE, text, key=label, code="not-on-route")
    return all(key in draft.places for _, key in named)


def _ways(draft: Draft) -> tuple[dict[str, set[str]], dict[str, set[str]]]:
    """Places that open legs lead to from every place, and those they come from."""
    ahead: dict[str, set[str]] = {key: set() for key in draft.places}
    behind: dict[str, set[str]] = {key: set() for key in draft.places}
    for _, leg in draft.numbered():
        if leg.open:
            for a, b in [(leg.start, leg.finish)] + [(leg.finish, leg.start)] * leg.two_way:
                ahead[a].add(b)
                behind[b].add(a)
    return ahead, behind


def _check_listed(settings: Settings, draft: Draft) -> None:
    ways, _ = _ways(draft)
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        if b in ways[a]:
            continue
        onward = sorted(ways[a])
        there = f"open legs from '{a}' go to {', '.join(onward[:8])}" if onward else f"no open leg leaves '{a}'"
        reason = _barred(draft, {a}, {b}) or f"add one to {draft.leg_table.file}, or add a place in between; {there}"
        draft.problems.add(FILE, f"no leg goes from '{a}' to '{b}'; {reason}", key="route", code="no-leg")
    remaining = iter(settings.route)
    nights = [passing_of(key)[0] for key in settings.nights]
    if not all(key in remaining for key in nights) and set(nights) <= set(settings.route):
        draft.problems.add(FILE, "the nights are not in route order; sort them", key="nights", code="route-order")


def _check_reachable(settings: Settings, draft: Draft) -> None:
    onward, backward = _ways(draft)
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        ahead = reached_from(onward, a)
        if b in ahead:
            continue
        behind = reached_from(backward, b)
        count = f"{len(ahead)} of {len(draft.places)} places can be reached" if len(ahead) > 1 else "no leg leaves it"
        x, y = _closest(draft, ahead, behind)
        gap = draft.show_distance(geo.apart_m(draft.places[x], draft.places[y]))
        missing = f"the nearest are '{x}' and '{y}', {gap} apart: add a leg from '{x}' to '{y}'"
        reason = _barred(draft, ahead, behind) or missing
        label = "finish" if b == settings.route[-1] else "via"
        text = f"'{b}' cannot be reached from '{a}' over open legs ({count} from there); {reason}"
        draft.problems.add(FILE, text, key=label, code="unknown-place")
        return


def _barred(draft: Draft, ahead: set[str], behind: set[str]) -> str | None:
    """Name a closed or one-way leg that would close the gap."""
    for row, leg in draft.numbered():
        forward = leg.start in ahead and leg.finish in behind
        backward = leg.finish in ahead and leg.start in behind
        named = f"the leg of {draft.leg_table.file} row {row}, '{leg.start}' to '{leg.finish}', is"
        if not leg.open and (forward or (backward and leg.two_way)):
            return f"{named} closed ('no' under open)"
        if leg.open and backward and not leg.two_way:
            return f"{named} one-way"
    return None


def _closest(draft: Draft, ahead: set[str], behind: set[str]) -> tuple[str, str]:
    """Return the pair of places, one of each set, nearest to each other."""
    from scipy.spatial import cKDTree  # slow to import

    left, right = sorted(ahead), sorted(behind)
    distances, indices = cKDTree(_points(draft, right)).query(_points(draft, left))
    nearest_left = int(np.argmin(distances))
    return left[nearest_left], right[int(np.asarray(indices)[nearest_left])]


def _points(draft: Draft, keys: Sequence[str]) -> geo.Floats:
    """Points from the earth's centre, shape (n_key, 3)."""
    return geo.xyz_m([draft.places[key].lat_deg for key in keys], [draft.places[key].lon_deg for key in keys])
