"""Compiled: the model's error followed along every draw's path, segment by segment."""

import math
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.compiled import Code, threads
from thermal.ranges import FloatArray

Rows = npt.NDArray[np.int64]
_code = Code(error_model="numpy")
_jit = _code.inlined
# Copied from thermal.discrepancy, not imported: compiled code is kept until this file changes. A test holds them equal.
BEYOND_K_PER_K, AT_REST_K, LEAST_SHARE = 0.25, 20.0, 0.15
_UNIT = math.sqrt(6.0) / 65536.0  # of two uniform 16-bit numbers' sum: variance 2 (2^16)^2 / 12
GRID_S = 30.0  # an error is drawn so often, in a tenth of the shortest memory, and held between
_BATCH = 16  # draws handed to a thread at a time
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
def _rate(temps_k, time_s, rows, at):  # type: ignore[no-untyped-def]
    """How fast a recorded temperature changes: the slower of before and after, none at a turn (minmod). [K/s]."""
    last = len(rows) - 1
    if last == 0:
        return 0.0
    before = (temps_k[at] - temps_k[at - 1]) / (time_s[rows[at]] - time_s[rows[at - 1]]) if at > 0 else 0.0
    if at == last:
        return before
    after = (temps_k[at + 1] - temps_k[at]) / (time_s[rows[at + 1]] - time_s[rows[at]])
    if at == 0:
        return after
    if before * after <= 0.0:
        return 0.0
    return before if abs(before) < abs(after) else after


@_jit
def _lower(were_k, nodes, left_k, size_k):  # type: ignore[no-untyped-def]
    """Lower the margins at fixed errors to what one moment leaves."""
    for k in range(len(nodes)):
        were_k[k] = min(were_k[k], left_k - nodes[k] * size_k)


@_jit
def _one_fluid(a, draw, f, temps_k, least_k, were_k):  # type: ignore[no-untyped-def]
    """Follow one fluid's error: temperatures take the moment's error, margins that of their piece of the drive."""
    path = a.temps_k[draw, :, a.node[f]]
    sd, low, high = a.sd_k[f], a.low_k[f], a.high_k[f]
    keep_road, keep_quick = math.exp(-GRID_S / a.road_s[f]), math.exp(-GRID_S / a.quick_s[f])
    fresh_road, fresh_quick = math.sqrt(1.0 - keep_road * keep_road), math.sqrt(1.0 - keep_quick * keep_quick)
    at, row, whole = 0, a.rows[0], 0.0
    s_at = _size(path[0], a.air_k[row], a.outside_k[row, f], sd, low, high)
    t_at, t_was, s_was, e_was, t_slope, s_slope = path[0], path[0], s_at, 0.0, 0.0, 0.0
    for d in range(len(a.number)):
        piece, unit, step = -1, 0.0, 0
        key = _mixed(
            _mixed(_mixed(np.uint64(a.seed)) + np.uint64(draw + a.number_from)) + np.uint64(a.number[d] * 64 + f)
        )
        always, _ = _normals(key, -1)
        always = a.car[draw, f] + a.stays[0] * always
        road, quick = _normals(key, 0)
        unit = always + a.stays[1] * road + a.stays[2] * quick
        for i in range(a.first[d], a.first[d + 1]):
            while a.moments and a.since_s[i] > step * GRID_S:
                step += 1
                z_road, z_quick = _increments(key, step)
                road, quick = keep_road * road + fresh_road * z_road, keep_quick * quick + fresh_quick * z_quick
                unit = always + a.stays[1] * road + a.stays[2] * quick
            while at < len(a.rows) - 1 and row < i:
                t_was, s_was, e_was = t_at, s_at, a.end_s[row]
                at += 1
                row, t_at = a.rows[at], path[at]
                s_at = _size(t_at, a.air_k[row], a.outside_k[row, f], sd, low, high)
                passed_s = max(a.end_s[row] - e_was, 1e-9)
                t_slope, s_slope = (t_at - t_was) / passed_s, (s_at - s_was) / passed_s
            if a.moments and row == i:
                late = a.timing_s[f] * _rate(path, a.end_s, a.rows, at)
                temps_k[at] = t_at + unit * math.sqrt(s_at * s_at + late * late)
            temp, size = t_at, s_at
            if row != i:
                past_s = a.end_s[i] - e_was
                temp, size = t_was + past_s * t_slope, s_was + past_s * s_slope
            g = a.group[i]
            if a.piece[i] != piece:
                piece, (held_road, held_quick) = a.piece[i], _normals(_mixed(key + _LEGS), a.piece[i])
                whole = always + a.stays[1] * held_road + a.stays[2] * held_quick
            limit = a.limit_k[i, f]
            left = limit - temp - whole * size
            _lower(were_k[g], a.nodes, limit - temp, size)
            if a.where[draw, g, f] == i:  # the peak may be between two rows
                peak = limit - a.margin_k[draw, g, f]
                size = _size(peak, a.air_k[i], a.outside_k[i, f], sd, low, high)
                left = min(left, limit - peak - whole * size)
                _lower(were_k[g], a.nodes, limit - peak, size)
            least_k[g] = min(least_k[g], left)


@_code.entry
def _follow(a, fluids, temps_k, least_k, were_k, first, last):  # type: ignore[no-untyped-def]
    """Follow the errors of draws `first` to `last` - 1."""
    for draw in range(first, last):
        for f in fluids:
            least_k[draw, :, f] = np.inf
            were_k[draw, :, f] = np.inf
            _one_fluid(a, draw, f, temps_k[draw, :, a.node[f]], least_k[draw, :, f], were_k[draw, :, f])


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

    def run(at: int) -> None:
        _follow(plain, fluids, temps_k, least_k, were_k, at, min(at + _BATCH, n_draw))

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(run, range(0, n_draw, _BATCH)))


def _plain(value: Any) -> Any:
    """Same numbers, of one type only: the compiler works once."""
    if not isinstance(value, np.ndarray):
        return int(value)
    return np.require(value, np.int64 if value.dtype.kind in "iu" else np.float64, ["C", "W"])
