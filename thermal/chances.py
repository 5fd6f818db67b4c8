"""Compiled: chances that a margin is smaller than some value, the model's own error integrated instead of drawn.

A draw is a car and its days. Given one, the model's error on a leg is a normal number, and the leg's margin falls as
that number grows (`thermal.error_path`). So the chance that a margin is smaller than a value follows for each draw
without drawing the error. What is left to average over draws is smooth, which quasi-random draws do far better
(conditioning: Owen, Monte Carlo theory, methods and examples, ch. 8; quasi-Monte Carlo: ch. 15; from memory).

Legs of a trip share the part of the error that stays with the car, legs of a day also that of the day: given both, they
are independent, and the two are integrated by Gauss and Hermite's rule.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.compiled import Code
from thermal.ranges import FloatArray

_code = Code(error_model="numpy")
_jit = _code.inlined
# Copied from thermal.discrepancy, not imported: compiled code is kept until this file changes. A test holds them equal.
CAR_SHARE, DAY_SHARE = 0.15, 0.15
_CAR, _DAY, _BOTH = math.sqrt(CAR_SHARE), math.sqrt(DAY_SHARE), math.sqrt(CAR_SHARE + DAY_SHARE)
_REST = math.sqrt(1.0 - CAR_SHARE - DAY_SHARE)
_AT, _WEIGHT = np.polynomial.hermite_e.hermegauss(5)  # exact for the smooth functions here within 1e-4
_WEIGHT = _WEIGHT / _WEIGHT.sum()
_STEP_K = 0.5  # how well a rough margin is known
_FAR = 4.0  # a leg that takes an error beyond so many standard deviations (3 in 100,000) is left out
_REACH, _CELLS = 8.0, 4096  # of the table of the normal distribution: straight between its rows, within 1e-6
_PER_UNIT = _CELLS / (2.0 * _REACH)
_TABLE = np.array([0.5 * math.erfc((_REACH - i / _PER_UNIT) * math.sqrt(0.5)) for i in range(_CELLS + 1)])


@_jit
def _error_needed(were_k, nodes, margin_k):  # type: ignore[no-untyped-def]
    """Error, in standard deviations, at which a leg's margin equals the value: straight between nodes and beyond."""
    if were_k[0] == np.inf:
        return np.inf
    k, last = 0, len(nodes) - 1
    while k < last - 1 and were_k[k + 1] > margin_k:
        k += 1
    fall = max(were_k[k] - were_k[k + 1], 1e-9)
    return nodes[k] + (were_k[k] - margin_k) / fall * (nodes[k + 1] - nodes[k])


@_jit
def _normal(x):  # type: ignore[no-untyped-def]
    """Standard normal distribution function, from a table: three times as fast as to compute it."""
    at = min(max((x + _REACH) * _PER_UNIT, 0.0), _CELLS - 1e-6)
    row = int(at)
    return _TABLE[row] + (at - row) * (_TABLE[row + 1] - _TABLE[row])


@_jit
def _spared(error, day, first, last, held, shared):  # type: ignore[no-untyped-def]
    """Chance that no leg of one day passes the value, given the car's part of the error."""
    total = 0.0
    for j in range(len(_AT)):
        each = 1.0
        for i in range(first, last):
            each *= _normal((error[i] - held - shared * _AT[j]) / _REST)
        total += _WEIGHT[j] * each
    return total


@_jit
def _any(error, day, n):  # type: ignore[no-untyped-def]
    """Chance that at least one of `n` legs passes, in the order of their days."""
    if n == 0:
        return 0.0
    if n == 1:
        return _normal(-error[0])
    if day[0] == day[n - 1]:
        return 1.0 - _spared(error, day, 0, n, 0.0, _BOTH)
    none = 0.0
    for i in range(len(_AT)):
        each, first = _WEIGHT[i], 0
        while first < n:
            last = first + 1
            while last < n and day[last] == day[first]:
                last += 1
            each *= _spared(error, day, first, last, _CAR * _AT[i], _DAY)
            first = last
        none += each
    return 1.0 - none


@_code.called
def _fill(were_k, nodes, day, margin_k, work, out):  # type: ignore[no-untyped-def]
    """Fill the chance of every draw."""
    n_leg = were_k.shape[1]
    error, whose = work
    for draw in range(were_k.shape[0]):
        n = 0
        for leg in range(n_leg):
            needed = _error_needed(were_k[draw, leg], nodes, margin_k)
            if needed < _FAR:
                error[n], whose[n] = needed, day[leg]
                n += 1
        out[draw] = _any(error, whose, n)


@_code.called
def _mean_and_variance(values, n):  # type: ignore[no-untyped-def]
    """Mean and variance of the first `n` values; zero of none."""
    total, squares = 0.0, 0.0
    for i in range(n):
        total += values[i]
    mean = total / max(n, 1)
    for i in range(n):
        squares += (values[i] - mean) ** 2
    return mean, squares / max(n, 1)


@_code.entry
def _smaller(were_k, nodes, day, margin_k, work, out):  # type: ignore[no-untyped-def]
    _fill(were_k, nodes, day, margin_k, work, out)


@_code.called
def _halved(were_k, nodes, day, share, low, high, step, work, out):  # type: ignore[no-untyped-def]
    """Halve an interval until the margin below which a share of the draws lies is known to a step."""
    while high - low > step:
        middle = 0.5 * (low + high)
        _fill(were_k, nodes, day, middle, work, out)
        low, high = (low, middle) if _mean_and_variance(out, len(out))[0] > share else (middle, high)
    return low, high


@_code.entry
def _about(were_k, nodes, day, share, bounds, step, work, out):  # type: ignore[no-untyped-def]
    """Halve the interval `bounds`, as `_halved` does."""
    bounds[0], bounds[1] = _halved(were_k, nodes, day, share, bounds[0], bounds[1], step, work, out)


class Search(NamedTuple):
    """How margins are looked for."""

    rough: int  # draws enough to look nearby
    step_k: float
    sure_k: float
    astray_k: float  # furthest that one step goes
    most_steps: float


@_code.called
def _chance(were_k, nodes, day, margin_k, work, out):  # type: ignore[no-untyped-def]
    """Mean and variance over the draws of the chance that a margin is smaller than a value."""
    _fill(were_k, nodes, day, margin_k, work, out)
    return _mean_and_variance(out, len(out))


@_code.called
def _secant(were_k, nodes, day, asked, two, work, out):  # type: ignore[no-untyped-def]
    """Find the margin that a share of the draws lies below: with the chance's change per kelvin and its variance."""
    share, _, _, step_k, sure_k, astray_k, most_steps = asked
    one = two - step_k
    at = _chance(were_k, nodes, day, one, work, out)[0] - share
    now, rest = _chance(were_k, nodes, day, two, work, out)
    now -= share
    density = (now - at) / step_k
    for _ in range(int(most_steps)):
        if abs(two - one) < sure_k or now == at:
            break
        move = min(max(-now * (two - one) / (now - at), -astray_k), astray_k)
        one, at, two = two, now, two + move
        now, rest = _chance(were_k, nodes, day, two, work, out)
        now -= share
        if abs(two - one) > sure_k:
            density = (now - at) / (two - one)
    return two, density, rest


@_code.called
def _take_cell(were_k, c, cell_k):  # type: ignore[no-untyped-def]
    """Copy the margins of a cell; returns a margin smaller than all, and one greater than all without an error."""
    low, high, last = np.inf, -np.inf, cell_k.shape[2] - 1
    for i in range(cell_k.shape[0]):
        for k in range(last + 1):
            cell_k[i, 0, k] = were_k[i, c, k]
        low, high = min(low, were_k[i, c, last]), max(high, were_k[i, c, 0])
    return low, high


@_code.entry
def _settle_each(margins, nodes, day, asked, work, cell_k, cells, driven, driven_zero):  # type: ignore[no-untyped-def]
    """Find the margin of every cell that no fit helps: columns of `cells` as `Settled` has them."""
    were_k, first_k = margins
    share, close_k, rough_k, _, _, astray_k, _ = asked
    for c in range(len(cells)):
        _take_cell(were_k, c, first_k)
        least, high = _take_cell(were_k, c, cell_k)
        if high == np.inf:
            continue
        low, high = _halved(first_k, nodes, day, share, least, high, rough_k, work, driven[c, : len(first_k)])
        about = 0.5 * (low + high)
        cells[c, 0], cells[c, 1] = 1.0, about
        if least >= max(about, 0.0) + astray_k:
            continue
        cells[c, 0] = 2.0
        if about >= close_k:
            two, density, rest = _secant(cell_k, nodes, day, asked, about, work, driven[c])
            mean, rest_zero = _chance(cell_k, nodes, day, 0.0, work, driven_zero[c])
            cells[c, 0], cells[c, 1], cells[c, 2], cells[c, 3] = 3.0, two, density, mean
            cells[c, 4], cells[c, 5] = rest, rest_zero


@_code.called
def _correct(margins, nodes, day, own, margin_k, work, other, driven, out):  # type: ignore[no-untyped-def]
    """Fill what `corrected` gives."""
    were_k, like_k, many_k, exact_k = margins
    n, n_many, n_exact = were_k.shape[0], many_k.shape[0], exact_k.shape[0]
    _fill(were_k, nodes, day, margin_k, work, driven)
    _fill(exact_k, nodes, day, margin_k, work, other)
    for i in range(n_exact):  # before the fit is taken from them
        other[i] -= driven[i]
    out[0], out[2] = _mean_and_variance(other, n_exact)
    if n_many > 0:
        _fill(many_k, nodes, own, margin_k, work, other)
        out[0] += _mean_and_variance(other, n_many)[0]
        _fill(like_k, nodes, own, margin_k, work, other)
        for i in range(n):
            driven[i] -= other[i]
    mean, out[1] = _mean_and_variance(driven, n)
    out[0] += mean


@_code.entry
def _corrected(margins, nodes, day, own, margin_k, work, other, driven, out):  # type: ignore[no-untyped-def]
    _correct(margins, nodes, day, own, margin_k, work, other, driven, out)


@_code.entry
def _look_for(margins, nodes, day, own, asked, work, other, driven, out, place):  # type: ignore[no-untyped-def]
    """Find a margin by the secant method, with what `_correct` fills for each value."""
    share, _, _, step_k, sure_k, astray_k, most_steps = asked
    two = place[0]
    one = two - step_k
    _correct(margins, nodes, day, own, one, work, other, driven, out)
    at = out[0] - share
    _correct(margins, nodes, day, own, two, work, other, driven, out)
    now = out[0] - share
    density = (now - at) / step_k
    for _ in range(int(most_steps)):
        if now == at:
            break
        move = min(max(-now * (two - one) / (now - at), -astray_k), astray_k)
        if abs(move) < sure_k:  # as near as is asked for
            break
        one, at, two = two, now, two + move
        _correct(margins, nodes, day, own, two, work, other, driven, out)
        now = out[0] - share
        density = (now - at) / (two - one)
    place[0], place[1] = two, density


@_code.entry
def _each_leg(were_k, nodes, margin_k, out):  # type: ignore[no-untyped-def]
    """Fill the chance, leg by leg, that its margin is smaller than a value."""
    for leg in range(len(out)):
        total = 0.0
        for draw in range(len(were_k)):
            total += _normal(-_error_needed(were_k[draw, leg], nodes, margin_k))
        out[leg] = total / len(were_k)


def _work(*margins_k: FloatArray) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Room for the errors that legs take, and their days."""
    most = max(margin_k.shape[1] for margin_k in margins_k)
    return np.empty(most), np.empty(most, np.int64)


def smaller(were_k: FloatArray, nodes: FloatArray, day: npt.NDArray[np.int64], margin_k: float) -> FloatArray:
    """Chance, draw by draw, that the smallest margin of some legs is smaller than `margin_k`.

    `were_k`, shape (n_draw, n_leg, n_node), has the margins of one fluid if the model's error had each size of `nodes`,
    in standard deviations, rising; infinite where a leg has none. `day` of every leg never falls.

    >>> nodes = np.array([-3.0, 0.0, 3.0])
    >>> were_k = np.array([[[40.0, 10.0, -20.0]]])  # 10 K left, and the model off by 10 K
    >>> smaller(were_k, nodes, np.zeros(1, np.int64), 0.0).round(3)  # 1 in 6 lies beyond one standard deviation
    array([0.159])
    """
    out = np.empty(len(were_k))
    plain, at = np.ascontiguousarray(were_k), np.ascontiguousarray(nodes)
    _smaller(plain, at, day, float(margin_k), _work(were_k), out)
    return out


def about_k(
    were_k: FloatArray, nodes: FloatArray, day: npt.NDArray[np.int64], share: float, bounds_k: tuple[float, float]
) -> float:
    """Rough margin below which a `share` of the draws lies, within half a kelvin. [-]

    `were_k`, `nodes` and `day` are as in `smaller`; `bounds_k` are a margin that is smaller and one that is greater.
    """
    found, out = np.array(bounds_k, dtype=np.float64), np.empty(len(were_k))
    _about(np.ascontiguousarray(were_k), nodes, day, float(share), found, _STEP_K, _work(were_k), out)
    return float(0.5 * found.sum())


class Settled(NamedTuple):
    """Margins below which a share of the draws lies, cell by cell; the last two by draw too.

    `state` is 0 where a cell has no margin, 1 where only an error that hardly any draw has would reach it, 2 where it
    is close and a fit should help, 3 where the rest is known.
    """

    state: FloatArray
    margin_k: FloatArray  # a rough one unless `state` is 3
    density: FloatArray  # change of the chance per kelvin there [1/K]
    chance: FloatArray  # that it is below zero
    rest: FloatArray  # variance over the draws of the chance that it is below `margin_k`
    rest_zero: FloatArray  # and of the chance that it is below zero
    driven: FloatArray  # shape (n_cell, n_draw): those chances
    driven_zero: FloatArray


def settle_each(were_k: FloatArray, nodes: FloatArray, share: float, close_k: float, search: Search) -> Settled:
    """Find the margin of every cell, a leg and a fluid, that no fit helps: below it lies a `share` of the draws.

    `were_k`, shape (n_draw, n_cell, n_node), and `nodes` are as in `smaller`. Margins that are roughly less than
    `close_k` are left. `search` says how margins are looked for.
    """
    n_draw, n_cell, n_node = were_k.shape
    cells, driven, zero = np.zeros((n_cell, 6)), np.empty((n_cell, n_draw)), np.empty((n_cell, n_draw))
    cell, first = np.empty((n_draw, 1, n_node)), np.empty((min(search.rough, n_draw), 1, n_node))
    asked = (float(share), float(close_k), _STEP_K, search.step_k, search.sure_k, search.astray_k, search.most_steps)
    margins, day = (np.ascontiguousarray(were_k), first), np.zeros(1, np.int64)
    _settle_each(margins, np.ascontiguousarray(nodes), day, asked, _work(cell), cell, cells, driven, zero)
    state, margin, density, chance, rest, rest_zero = cells.T
    return Settled(state, margin, density, chance, rest, rest_zero, driven, zero)


class Corrected(NamedTuple):
    """Chance by a fit of many draws, what corrects it, and the variances of that."""

    chance: float
    driven: FloatArray  # by draw driven: its chance less the fit's
    rest: float  # by what was driven
    off: float  # by what was driven exactly


class Margins(NamedTuple):
    """Margins by draw, leg and node, from which `corrected` and `look_for` work; each shape contiguous. [K]"""

    were_k: FloatArray  # of the draws driven
    like_k: FloatArray  # of the same by a fit
    many_k: FloatArray  # of many more by the fit
    exact_k: FloatArray  # of the first of the driven ones, where most of `were_k` are guesses


def corrected(
    margins: Margins, nodes: FloatArray, day: npt.NDArray[np.int64], own: npt.NDArray[np.int64], margin_k: float
) -> Corrected:
    """Mean of `smaller` over draws not driven, with what the fit misses on those that were.

    Parameters
    ----------
    margins : Margins
        Without a fit `like_k` and `many_k` are empty.
    nodes : ndarray
        As in `smaller`. [-]
    day, own : ndarray of int
        Days of the legs of `were_k` and `exact_k`, and of those of the fit. [-]
    margin_k : float
        The value. [K]
    """
    given, out, driven, other = _room(margins)
    _corrected(given, nodes, day, own, float(margin_k), _work(*given), other, driven, out)
    return Corrected(float(out[0]), driven, float(out[1]), float(out[2]))


def look_for(
    margins: Margins,
    nodes: FloatArray,
    day: npt.NDArray[np.int64],
    own: npt.NDArray[np.int64],
    share: float,
    about_k: float,
    search: Search,
) -> tuple[float, float, Corrected]:
    """Find the margin below which a `share` of the draws lies: with the chance's change per kelvin, and that chance.

    It is looked for from `about_k` on, as `search` says; `nodes`, `day` and `own` are as in `corrected`.
    """
    given, out, driven, other = _room(margins)
    asked = (float(share), np.inf, _STEP_K, search.step_k, search.sure_k, search.astray_k, search.most_steps)
    place = np.array([about_k, 0.0])
    _look_for(given, nodes, day, own, asked, _work(*given), other, driven, out, place)
    return float(place[0]), float(place[1]), Corrected(float(out[0]), driven, float(out[1]), float(out[2]))


def _room(margins: Margins) -> tuple[tuple[FloatArray, ...], FloatArray, FloatArray, FloatArray]:
    """The margins as compiled code takes them, and room for what it fills."""
    n_driven, n_many = len(margins.were_k), len(margins.many_k)
    return tuple(margins), np.zeros(3), np.empty(n_driven), np.empty(max(n_driven, n_many))


def each_leg(were_k: FloatArray, nodes: FloatArray, margin_k: float) -> FloatArray:
    """Chance, leg by leg over all draws, of a margin smaller than `margin_k`; `were_k`, `nodes` as in `smaller`. [-]"""
    out = np.empty(were_k.shape[1])
    _each_leg(np.ascontiguousarray(were_k), nodes, float(margin_k), out)
    return out
