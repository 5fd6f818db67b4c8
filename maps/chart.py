"""The numbers behind the map's line and the chart: fewer points, then whole-number steps that pack small.

Thinning works column by column, each with its own bound, and keeps the union of all points kept, so that the highest
and lowest value of every column survive. A point between two kept ones lies at most twice the column's own tolerance
from the chord, hence each column is thinned to half of what it may lose.
"""

import functools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maps.scene import Day, Grade, Milestone, Scene, Series, Stretch, Track
from maps.teaching import Change, Channel, Teaching
from maps.thinning import curve_indices, line_indices
from maps.track import unrolled

Array = NDArray[np.float64]

DEGREE_DIGITS = 5  # about 1 m
DISTANCE_DIGITS = 2
ELEVATION_DIGITS = 0
NODE_DIGITS = 1
SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%()*+,-./:;=?@[]^_{}"
"""Signs that JSON in a page holds as they are, in the order in which they count; the page has the same."""
TIME = re.compile(r"(\d\d):(\d\d)")
LARGEST_GAP_SHARE = 1 / 1500  # of the whole distance, so that the cursor moves smoothly on an even road
HALT_SHARE = 1e-9  # of the whole distance: keeps the points of a halt in order


def pack(scene: Scene) -> dict[str, Any]:
    """Pack a scene's track, thinned, and its stretches for the page's data.

    "track" has the packed columns; whatever names points counts them along the thinned track.
    """
    track = scene.track
    kept = np.union1d(scene.kept or kept_indices(track), np.array(scene.points(), dtype=np.int64))
    packed = {
        "lat": _packed_column(track.lat, kept, DEGREE_DIGITS),
        "lon": _packed_column(unrolled(track.lon), kept, DEGREE_DIGITS),
        "distance": _packed_column(track.distance, kept, DISTANCE_DIGITS),
        "elevation": _packed_column(track.elevation, kept, ELEVATION_DIGITS),
        "group": _packed_column(track.group, kept, 0),
        "day": _packed_column(track.day, kept, 0),
        "clock": _packed_clock([track.clock[index] for index in kept]),
        "group_labels": list(track.group_labels),
        "series": [_packed_series(series, kept) for series in track.series],
    }
    if track.minutes:
        packed["minutes"] = _packed_column(track.minutes, kept, 0)
    return {
        "track": packed,
        "stretches": [_packed_stretch(one, kept, track) for one in scene.stretches],
        "grades": [_packed_grade(one, kept) for one in scene.grades],
        "spots": [int(point) for point in np.searchsorted(kept, [one.point for one in scene.spots])],
        "days": [_packed_day(one, kept) for one in scene.days],
        "places": _packed_milestones(scene.places, kept),
        "ahead": [
            {"heading": one.heading, "behind": one.behind, "milestones": _packed_milestones(one.milestones, kept)}
            for one in scene.ahead
        ],
        "teaching": None if scene.teaching is None else _packed_teaching(scene.teaching, kept),
    }


def kept_indices(track: Track) -> NDArray[np.int64]:
    """Points of a track that stay when it is thinned, rising.

    First and last point, changes of day and leg, and every extreme are among them.
    """
    parts = [_forced_indices(track), _route_indices(track)]
    abscissa = rising_distance(track)
    for values, digits, bound in _bounded_columns(track):
        inner = (bound - 0.5 * 10.0**-digits) / 2
        parts.append(curve_indices(abscissa, np.asarray(values, dtype=np.float64), inner))
    return np.unique(np.concatenate(parts))


def _forced_indices(track: Track) -> NDArray[np.int64]:
    """Points that stay whatever their values: ends, changes of day and leg, and one in every small distance."""
    changes = np.flatnonzero((np.diff(track.group) != 0) | (np.diff(track.day) != 0))
    steps = np.linspace(track.distance[0], track.distance[-1], round(1 / LARGEST_GAP_SHARE))
    even = np.minimum(np.searchsorted(track.distance, steps), len(track.distance) - 1)
    return np.concatenate([changes, changes + 1, even])


def _route_indices(track: Track) -> NDArray[np.int64]:
    """Points that keep the line on the map within its bound, longitude shrunk to the middle latitude."""
    shrink = math.cos(math.radians((min(track.lat) + max(track.lat)) / 2))
    points = np.column_stack([np.asarray(unrolled(track.lon)) * shrink, np.asarray(track.lat)])
    return line_indices(points, track.line_bound_deg / 2)


def rising_distance(track: Track) -> Array:
    """Distances that rise by at least a billionth of the whole per point, so that a halt's points stay apart."""
    distance = np.asarray(track.distance, dtype=np.float64)
    step = HALT_SHARE * max(1.0, float(distance[-1] - distance[0]))
    return distance + step * np.arange(len(distance))


def _bounded_columns(track: Track) -> Iterator[tuple[tuple[float, ...], int, float]]:
    """Yield values, digits and bound of every column the chart draws."""
    yield track.elevation, ELEVATION_DIGITS, max(track.elevation_bound, 1.0)
    for series in track.series:
        for values in {id(column): column for _, column in series.columns()}.values():  # one column may serve twice
            yield values, digits_for(series.bound), series.bound


def digits_for(bound: float) -> int:
    """Fewest decimals, at least 0, that keep rounding within a quarter of `bound`, which is above 0.

    >>> digits_for(1.0), digits_for(20.0), digits_for(0.05)
    (1, 0, 2)
    """
    return max(0, math.ceil(-math.log10(bound / 2)))


def _packed_series(series: Series, kept: NDArray[np.int64]) -> dict[str, Any]:
    """Pack one series with its columns."""
    digits = digits_for(series.bound)
    columns: dict[str, object] = {
        name: "values" if name != "values" and values == series.values else _packed_column(values, kept, digits)
        for name, values in series.columns()
    }
    return {"label": series.label, "unit": series.unit, "dash": series.dash, **columns}


def _packed_stretch(stretch: Stretch, kept: NDArray[np.int64], track: Track) -> dict[str, Any]:
    """Pack one stretch, its ends renumbered along the thinned track."""
    start, end = (int(number) for number in np.searchsorted(kept, [stretch.start, stretch.end]))
    return {
        "start": start,
        "end": end,
        "level": stretch.level,
        "title": stretch.title,
        "popup": stretch.popup,
        "whole": stretch.whole,
        "day": track.day[stretch.start + 1],  # the first point of a leg is the last one of the leg before
    }


def _packed_grade(grade: Grade, kept: NDArray[np.int64]) -> dict[str, Any]:
    """Pack one climb, its ends renumbered along the thinned track."""
    start, end = (int(number) for number in np.searchsorted(kept, [grade.start, grade.end]))
    return {"start": start, "end": end, "title": grade.title, "text": grade.text, "level": grade.level}


def _packed_day(day: Day, kept: NDArray[np.int64]) -> dict[str, Any]:
    """Pack what the script needs of one day."""
    ends = [-1 if one.until is None else int(np.searchsorted(kept, one.until)) for one in day.advice]
    return {
        "title": day.title,
        "short": day.short or day.title,
        "date": day.date,
        "advice": [
            {"text": one.text, "until": end, "watch": one.watch} for one, end in zip(day.advice, ends, strict=True)
        ],
        "way": [int(point) for point in np.searchsorted(kept, [one.point for one in day.way])],
        "closest": list(day.closest),
    }


def _packed_milestones(milestones: Sequence[Milestone], kept: NDArray[np.int64]) -> list[dict[str, Any]]:
    """Pack milestones, renumbered along the thinned track."""
    points = np.searchsorted(kept, [one.point for one in milestones]).tolist()
    return [
        {"point": point, "title": one.title, "text": one.text} for point, one in zip(points, milestones, strict=True)
    ]


def _packed_teaching(teaching: Teaching, kept: NDArray[np.int64]) -> dict[str, Any]:
    """Pack what the page learns by, its nodes renumbered along the thinned track."""
    return {
        "nodes": _column(np.searchsorted(kept, teaching.nodes).astype(np.float64), 0),
        "channels": [_packed_channel(one) for one in teaching.channels],
        "changes": {one.key: _packed_change(one) for one in teaching.changes},
        "switches": [asdict(one) for one in teaching.switches],
        "peaks": [
            [one.leg, one.channel, one.node, one.edge]
            + [round(value, 1) for value in (one.expected, one.upper, one.limit, one.lost, *one.rise)]
            for one in teaching.peaks
        ],
        "slower_min": _node_column(teaching.slower_min),
        "rules": asdict(teaching.rules),
        "day_sd": [round(one, 2) for one in teaching.day_sd],
        "stops": list(teaching.stops),
        "file": teaching.file,
        "unit": teaching.unit,
        "band": teaching.band,
        "known": list(teaching.known),
        "blind": list(teaching.blind),
        "told": [round(one, 1) for one in teaching.told],
    }


def _packed_channel(one: Channel) -> dict[str, Any]:
    """Pack one channel."""
    columns = {
        "slopes": [_node_column(column) for column in one.slopes],
        "along": _node_column(one.along),
        "curves": [_node_column(column) for column in one.curves],
        "hot_slopes": [_node_column(column) for column in one.hot_slopes],
        "gap": _node_column(one.gap),
        "wider": [_node_column(column) for column in one.wider],
        "error": _node_column(one.error),
        "varies": _node_column(one.varies),
    }
    plain = ["key", "label", "short", "series", "sd", "low", "high", "lag_min", "lasting_min", "caution"]
    plain += ["grows_from", "least", "stays"]
    return {name: getattr(one, name) for name in plain} | columns


def _packed_change(one: Change) -> dict[str, Any]:
    """Pack one change."""
    return {"moves": [_node_column(column) for column in one.moves], "air": _node_column(one.air)}


def _node_column(values: Sequence[float]) -> dict[str, Any]:
    """Pack one column of the nodes."""
    return _column(values, NODE_DIGITS)


def _packed_column(values: Sequence[float], kept: NDArray[np.int64], digits: int) -> dict[str, Any]:
    """Pack the kept points of one column."""
    return _column(np.asarray(values, dtype=np.float64)[kept], digits)


def _packed_clock(words: Sequence[str]) -> dict[str, Any]:
    """Pack times of day as minutes, and the words round them once each with `{}` for the time."""
    times = [TIME.search(word) for word in words]
    round_it = [TIME.sub("{}", word, count=1) for word in words]
    number = {word: index for index, word in enumerate(dict.fromkeys(round_it))}
    minutes = [0.0 if time is None else 60.0 * int(time[1]) + int(time[2]) for time in times]
    return {
        "words": list(number),
        "numbers": _column([number[word] for word in round_it], 0),
        "minutes": _column(minutes, 0),
    }


def _column(values: Sequence[float] | Array, digits: int) -> dict[str, Any]:
    """Pack numbers."""
    return {"digits": digits, "signs": signs_of(values, digits)}


def signs_of(values: Sequence[float] | Array, digits: int) -> str:
    """Write `values` as differences of whole steps of 10**-`digits`, with one or two signs where they are small.

    This takes half the room of a list of numbers. Each difference is a sign of `SIGNS`: 0, -1, 1, -2, 2 and so on; the
    first is the number itself. A larger one is "`" and two signs, the largest stand between `|`. A run of three or more
    differences of 0 is `~` and a sign. A NaN is a gap, a space, and does not move the running sum.

    >>> signs_of([7.0] * 20 + [6.0, float("nan"), 506.0, 506.0, -8494.0], 0)
    'E~J1 `B%0|-9000|'
    """
    column = np.asarray(values, dtype=np.float64)
    known = np.isfinite(column)
    steps = np.zeros(len(column), dtype=np.int64)
    steps[known] = np.diff(np.rint(column[known] * 10.0**digits).astype(np.int64), prepend=0)
    runs = np.flatnonzero(np.diff(known & (steps == 0), prepend=False, append=False)).reshape(-1, 2)
    place = np.where(known, np.where(steps < 0, -2 * steps - 1, 2 * steps), -1)
    made: list[str] = []
    at, most, signs = 0, len(SIGNS) - 1, _signs()
    large = np.flatnonzero(place > len(signs) - 2)
    place[large] = 0
    written = list(map(signs.__getitem__, place.tolist()))
    for number in large.tolist():
        written[number] = f"|{steps[number]}|"
    for start, end in runs[runs[:, 1] - runs[:, 0] >= 3].tolist():
        times, left = divmod(end - start, most)
        made += [*written[at:start], *["~" + SIGNS[most]] * times, "~" + SIGNS[left]]
        at = end
    return "".join([*made, *written[at:]])


@functools.cache
def _signs() -> tuple[str, ...]:
    """Differences of one and two signs in the order in which they count, 0, -1, 1 and so on; last a gap."""
    return (*SIGNS, *[f"`{first}{second}" for first in SIGNS[1:] for second in SIGNS], " ")
