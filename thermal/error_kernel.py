"""Compiled: the model's error followed along every draw's path, segment by segment."""

import math
from collections import namedtuple
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.compiled import Code
from thermal.ranges import FloatArray
from thermal.sharing import share_out, threads

Rows = npt.NDArray[np.int64]
_code = Code(error_model="numpy", fastmath={"contract", "nnan", "nsz"})
_jit = _code.inlined
# Copied from thermal.discrepancy, not imported: compiled code is kept until this file changes. A test holds them equal.
BEYOND_K_PER_K, AT_REST_K, LEAST_SHARE = 0.25, 20.0, 0.15
_UNIT = math.sqrt(6.0) / 65536.0  # of two uniform 16-bit numbers' sum: variance 2 (2^16)^2 / 12
GRID_S = 30.0  # an error is drawn so often, in a tenth of the shortest memory, and held between
_MOST = 64  # draws handed to a thread at a time
# A splittable generator: Steele, Lea & Flood, OOPSLA 2014 (its mixing constants; from memory). Each number follows from
# seed, draw, fluid, day and moment alone, so draws need no order and a longer day begins like a shorter one.
_GOLDEN, _MIX_1, _MIX_2 = (np.uint64(x) for x in (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB))
_LEGS = np.uint64(977)  # sets errors of legs apart from those of moments
_30, _27, _31, _32, _LOW = (np.uint64(x) for x in (30, 27, 31, 32, 0xFFFFFFFF))


class Along(NamedTuple):
    """Everything needed to follow an error along a drive, and its results.

    Times count from the first move of each day; `first` has one entry more than days. Shapes: `number` (n_day,),
    `first` (n_day + 1,); `since_s`, `end_s`, `group`, `piece` (stretch with one error in its margins), `air_k`
    (n_segment,); `outside_k`, `limit_k` (n_segment, n_fluid); `rows` (n_recorded,); `temps_k` (n_draw, n_recorded,
    n_body); `margin_k`, `where` (n_draw, n_group, n_fluid); `car` (n_draw, n_fluid), the part of the unit error that
    stays with the car, added as it is; `nodes` (n_node,), errors in standard deviations that margins are wanted for,
    whatever was drawn; the rest (n_fluid,). `stays` has the roots of the shares: of the day's error, the road's, and
    the quick one. `number_from` is the number of the first draw among all. `moments` is 0 where no temperatures with an
    error are wanted.
    """

    number: Rows
    first: Rows
    since_s: FloatArray
    end_s: FloatArray
    group: Rows
    piece: Rows
    air_k: FloatArray
    outside_k: FloatArray
    limit_k: FloatArray
    rows: Rows
    temps_k: FloatArray
    margin_k: FloatArray
    where: Rows
    car: FloatArray
    nodes: FloatArray
    node: Rows
    sd_k: FloatArray
    low_k: FloatArray
    high_k: FloatArray
    road_s: FloatArray
    quick_s: FloatArray
    timing_s: FloatArray
    stays: FloatArray
    seed: int
    number_from: int
    moments: int


# Work arrays for one fluid at a time. Of recorded rows: time, air, error outside
# what was logged, limit, temperature, size of the error, what is left to the limit. Of a day: increments of its errors,
# and how many. Spans of one group and piece within a day. Segments to look at, and the row at or after each; those
# between rows. Errors that margins are followed for, the nodes and last the one drawn, and the smallest margin at each.
Work = namedtuple(
    "Work",
    "time_s air_k outside_k limit_k path_k size_k left_k z_road z_quick n_step span seen next_row between error low_k",
)
# Of segments between rows: the row after, how far it lies back from that towards the one before, limit, what is left,
# size of the error.
Between = namedtuple("Between", "row back limit_k left_k size_k")


@_jit
def _mixed(word):  # type: ignore[no-untyped-def]
    """Mix 64 bits into 64 others."""
    word = (word ^ (word >> _30)) * _MIX_1
    word = (word ^ (word >> _27)) * _MIX_2
    return word ^ (word >> _31)


@_jit
def _normals(key, step):  # type: ignore[no-untyped-def]
    """Two independent standard normals (Box and Muller)."""
    word = _mixed(key + _GOLDEN * np.uint64(step + 1))
    radius = math.sqrt(-2.0 * math.log((np.float64(word >> _32) + 0.5) / 4294967296.0))
    angle = 2.0 * math.pi * np.float64(word & _LOW) / 4294967296.0
    return radius * math.cos(angle), radius * math.sin(angle)


@_jit
def _increments(key, step):  # type: ignore[no-untyped-def]
    """Two independent numbers of mean 0 and variance 1, each the sum of two uniform ones; a walk adds ten or more."""
    word = _mixed(key + _GOLDEN * np.uint64(step + 1))
    low, high = np.int64(word & _LOW), np.int64(word >> _32)
    first = (low & 0xFFFF) + (low >> 16)
    second = (high & 0xFFFF) + (high >> 16)
    return (first - 65535) * _UNIT, (second - 65535) * _UNIT


@_jit
def _size(temp_k, air_k, outside_k, sd_k, low_k, high_k):  # type: ignore[no-untyped-def]
    """Standard deviation of the error, as `thermal.discrepancy.scale_k` has it. [K]."""
    beyond = max(temp_k - high_k, 0.0) + max(low_k - temp_k, 0.0)
    more = max(BEYOND_K_PER_K * beyond, outside_k)
    share = min(max(abs(temp_k - air_k) / AT_REST_K, LEAST_SHARE), 1.0)
    return math.sqrt(sd_k * sd_k + more * more) * share


@_jit
def _slower(before, after):  # type: ignore[no-untyped-def]
    """The slower of two changes of one sign, else none (minmod)."""
    if before * after <= 0.0:
        return 0.0
    return before if abs(before) < abs(after) else after


@_jit
def _look_out(a, f, work):  # type: ignore[no-untyped-def]
    """List the segments at which a margin can be smallest, and the recorded row at or after each; returns how many."""
    # Between rows temperature and error are straight, so these are the rows, the ends of groups, and in between the
    # corners of the limit that stick out downwards: its lower convex hull.
    group, piece, rows, time_s, seen, next_row = a.group, a.piece, a.rows, a.end_s, work.seen, work.next_row
    limit_k, last_row, n, at = a.limit_k[:, f], len(a.rows) - 1, 0, 0
    for d in range(len(a.number)):
        first, last, base = a.first[d], a.first[d + 1], n
        for i in range(first, last):
            while at < last_row and rows[at] < i:
                at += 1
            time, limit = time_s[i], limit_k[i]
            while n - base >= 2:
                one, two = seen[n - 2], seen[n - 1]
                rise = (limit_k[two] - limit_k[one]) * (time - time_s[one])
                if rise < (limit - limit_k[one]) * (time_s[two] - time_s[one]):
                    break
                n -= 1
            seen[n], next_row[n] = i, at
            n += 1
            ends = i == first or i == last - 1
            if not ends:
                ends = (group[i] != group[i - 1]) | (group[i] != group[i + 1])
                ends |= (piece[i] != piece[i - 1]) | (piece[i] != piece[i + 1])
            if ends or rows[at] == i:
                base = n - 1
    return n


@_jit
def _set_out(a, f, work):  # type: ignore[no-untyped-def]
    """Set out what does not depend on the draw; returns how many spans and how many segments between rows there are."""
    group, piece, rows, time_s, limit_k, span = a.group, a.piece, a.rows, work.time_s, a.limit_k[:, f], work.span
    row, back, between_k = work.between.row, work.between.back, work.between.limit_k
    for at in range(len(rows)):
        work.outside_k[at], work.limit_k[at] = a.outside_k[rows[at], f], limit_k[rows[at]]
    d, n_span, n = 0, 0, 0
    for v in range(_look_out(a, f, work)):
        i, at = work.seen[v], work.next_row[v]
        begins = v == 0 or i >= a.first[d + 1]
        while i >= a.first[d + 1]:
            d += 1
        if begins or group[i] != group[i - 1] or piece[i] != piece[i - 1]:
            span[n_span, 0], span[n_span, 1], span[n_span, 2], span[n_span, 3] = d, i, at, at
            span[n_span, 4] = span[n_span, 5] = n
            n_span += 1
        if rows[at] == i:
            span[n_span - 1, 3] = at + 1
            continue
        row[n], back[n], between_k[n] = at, 0.0, limit_k[i]
        if at > 0:
            back[n] = (time_s[at] - a.end_s[i]) / max(time_s[at] - time_s[at - 1], 1e-9)
        n += 1
        span[n_span - 1, 5] = n
    return n_span, n


@_jit
def _key(a, draw, f, d):  # type: ignore[no-untyped-def]
    """Where the errors of a draw, a fluid and a day begin."""
    whose = _mixed(_mixed(np.uint64(a.seed)) + np.uint64(draw + a.number_from))
    return _mixed(whose + np.uint64(a.number[d] * 64 + f))


@_jit
def _always(a, draw, f, key):  # type: ignore[no-untyped-def]
    """The part of the unit error that stays with the car or for a day."""
    today, _ = _normals(key, -1)
    return a.car[draw, f] + a.stays[0] * today


@_jit
def _moments(a, draw, f, work, temps_k):  # type: ignore[no-untyped-def]
    """Temperatures take the error of their moment."""
    path, size, time_s, rows, since_s = work.path_k, work.size_k, work.time_s, a.rows, a.since_s
    keep_road, keep_quick = math.exp(-GRID_S / a.road_s[f]), math.exp(-GRID_S / a.quick_s[f])
    fresh_road, fresh_quick = math.sqrt(1.0 - keep_road * keep_road), math.sqrt(1.0 - keep_quick * keep_quick)
    at, last, timing, by_road, by_quick = 0, len(path) - 1, a.timing_s[f], a.stays[1], a.stays[2]
    z_road, z_quick = work.z_road, work.z_quick
    before = after = 0.0
    for d in range(len(a.number)):
        key, step, stop = _key(a, draw, f, d), 0, a.first[d + 1]
        always = _always(a, draw, f, key)
        road, quick = _normals(key, 0)
        for n in range(work.n_step[d]):
            z_road[n], z_quick[n] = _increments(key, n + 1)
        while at <= last and rows[at] < stop:
            since = since_s[rows[at]]
            while since > step * GRID_S:
                road = keep_road * road + fresh_road * z_road[step]
                quick = keep_quick * quick + fresh_quick * z_quick[step]
                step += 1
            before = after
            if at < last:
                after = (path[at + 1] - path[at]) / (time_s[at + 1] - time_s[at])
            late = timing * (after if at == 0 else _slower(before, after))
            unit = always + by_road * road + by_quick * quick
            temps_k[at] = path[at] + unit * math.sqrt(size[at] * size[at] + late * late)
            at += 1


@_jit
def _lowest(error, low_k, left_k, size_k, first, last):  # type: ignore[no-untyped-def]
    """Lower the smallest margin at each error to those that some moments leave."""
    for k in range(0, len(error) - 3, 4):
        one, two, three, four = error[k], error[k + 1], error[k + 2], error[k + 3]
        low_1, low_2, low_3, low_4 = low_k[k], low_k[k + 1], low_k[k + 2], low_k[k + 3]
        for at in range(first, last):
            left, size = left_k[at], size_k[at]
            low_1, low_2 = min(low_1, left - one * size), min(low_2, left - two * size)
            low_3, low_4 = min(low_3, left - three * size), min(low_4, left - four * size)
        low_k[k], low_k[k + 1], low_k[k + 2], low_k[k + 3] = low_1, low_2, low_3, low_4


@_jit
def _margins(a, draw, f, n_span, n_between, work, least_k, were_k):  # type: ignore[no-untyped-def]
    """Margins take the error of their piece of the drive, and every one of the fixed errors."""
    path, size, left, error, low, span = work.path_k, work.size_k, work.left_k, work.error, work.low_k, work.span
    row, back, limit_k, between_left, between_size = work.between
    n_node, day, always, key = len(a.nodes), -1, 0.0, np.uint64(0)
    for n in range(n_between):
        at = row[n]
        was = max(at - 1, 0)
        between_left[n] = limit_k[n] - (path[at] - back[n] * (path[at] - path[was]))
        between_size[n] = size[at] - back[n] * (size[at] - size[was])
    for s in range(n_span):
        d, i = span[s, 0], span[s, 1]
        if d != day:
            day, key = d, _key(a, draw, f, d)
            always = _always(a, draw, f, key)
        road, quick = _normals(_mixed(key + _LEGS), a.piece[i])
        error[n_node] = always + a.stays[1] * road + a.stays[2] * quick
        g, low[:] = a.group[i], np.inf
        i = a.where[draw, g, f]
        if a.group[i] == g and a.first[d] <= i and i < a.first[d + 1]:  # the peak may be between two rows
            peak = a.limit_k[i, f] - a.margin_k[draw, g, f]
            wide = _size(peak, a.air_k[i], a.outside_k[i, f], a.sd_k[f], a.low_k[f], a.high_k[f])
            for k in range(n_node + 1):
                low[k] = a.margin_k[draw, g, f] - error[k] * wide
        _lowest(error, low, left, size, span[s, 2], span[s, 3])
        _lowest(error, low, between_left, between_size, span[s, 4], span[s, 5])
        for k in range(n_node):
            were_k[g, k] = min(were_k[g, k], low[k])
        least_k[g] = min(least_k[g], low[n_node])


def _work(a: Along) -> Work:
    """Work arrays for one fluid at a time."""
    n_row, n, known = len(a.rows), len(a.end_s), (a.end_s[a.rows], a.air_k[a.rows])
    n_step = np.zeros(len(a.number), np.int64)
    if a.moments:
        driven = np.flatnonzero(a.first[:-1] < a.first[1:])
        n_step[driven] = np.ceil(a.since_s[a.first[driven + 1] - 1] / GRID_S).astype(np.int64) + 1
    most = int(n_step.max(initial=0))
    error = np.zeros((len(a.nodes) + 4) // 4 * 4)
    error[: len(a.nodes)] = a.nodes
    rows = (np.empty(n_row) for _ in range(5))
    steps = (np.empty(most) for _ in range(2))
    seen = (np.empty(n, np.int64) for _ in range(2))
    between = Between(np.empty(n, np.int64), *(np.empty(n) for _ in range(4)))
    held = (n_step, np.empty((n, 6), np.int64), *seen, between, error, np.empty(len(error)))
    return Work(*known, *rows, *steps, *held)


@_code.entry
def _follow(a, work, fluids, temps_k, least_k, were_k, first, last):  # type: ignore[no-untyped-def]
    """Follow the errors of draws `first` to `last` - 1."""
    n_row = len(a.rows)
    path, size, left, air, outside, limit = (
        work.path_k,
        work.size_k,
        work.left_k,
        work.air_k,
        work.outside_k,
        work.limit_k,
    )
    for f in fluids:
        n_span, n_between = _set_out(a, f, work)
        sd, low, high = a.sd_k[f], a.low_k[f], a.high_k[f]
        for draw in range(first, last):
            least_k[draw, :, f] = np.inf
            were_k[draw, :, f] = np.inf
            temps = a.temps_k[draw, :, a.node[f]]
            for at in range(n_row):
                path[at] = temps[at]
            for at in range(n_row):
                size[at] = _size(path[at], air[at], outside[at], sd, low, high)
            for at in range(n_row):
                left[at] = limit[at] - path[at]
            if a.moments:
                _moments(a, draw, f, work, temps_k[draw, :, a.node[f]])
            _margins(a, draw, f, n_span, n_between, work, least_k[draw, :, f], were_k[draw, :, f])


def follow(a: Along, fluids: Rows, temps_k: FloatArray, least_k: FloatArray, were_k: FloatArray) -> None:
    """Follow the errors of all draws and the fluids numbered in `fluids`, filling the last three arrays in place.

    Batches of draws go to threads, as in `thermal.kernel.march`.

    Parameters
    ----------
    temps_k : ndarray, shape (n_draw, n_recorded, n_body)
        Takes recorded temperatures with the error on them, unless none are wanted; of other bodies it is left. [K]
    least_k : ndarray, shape (n_draw, n_group, n_fluid)
        Takes the smallest margins. [K]
    were_k : ndarray, shape (n_draw, n_group, n_fluid, n_node)
        Takes what they were if the error of the whole group was that of a node. [K]
    """
    plain = Along(*(_plain(x) for x in a))
    n_draw, workers = len(temps_k), threads()
    batch = max(1, min(_MOST, -(-n_draw // workers)))

    def run(at: int) -> None:
        _follow(plain, _work(plain), fluids, temps_k, least_k, were_k, at, min(at + batch, n_draw))

    share_out(run, range(0, n_draw, batch))


def _plain(value: Any) -> Any:
    """Same numbers, of one type only: the compiler works once."""
    if not isinstance(value, np.ndarray):
        return int(value)
    return np.require(value, np.int64 if value.dtype.kind in "iu" else np.float64, ["C", "W"])
