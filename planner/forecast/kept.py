"""Margins kept at a confidence and chances of passing a limit, each with its own sampling error.

For every draw of car and days the model's own error is integrated (`thermal.chances`). Over draws, a control variate
does most of the rest (Owen, Monte Carlo theory, methods and examples, ch. 8; from memory). Margins are fitted on the
draws that were driven, linear in the logarithms of the factors and the air of the day, with a cubic of that prediction.
The fit is averaged over thousands of draws that cost no drive, and the draws that were driven correct it. The error
told is the scatter of these corrections: on the worked example about one and a half times the real error
(docs/benchmark.md).
"""

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.chances import Corrected, Margins, Search, about_k, corrected, each_leg, look_for, settle_each, smaller
from thermal.error_path import NODES
from thermal.kernel import Factors
from thermal.spread import SEED, draw
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
Days = npt.NDArray[np.int64]
MANY = 4096  # draws of cars and days that are not driven
CLOSE_K = 20.0  # margins below it are corrected by them; others are left to the draws that were driven
_LOOK_AT = int(np.flatnonzero(NODES == 1.0)[0])  # the cubic is of the margin with an error of one standard deviation
_ROUGHLY_AT = int(np.flatnonzero(NODES == 1.5)[0])  # error at which a margin that is not close is followed
_MATTERS = 0.02  # a leg with a smaller share in the chance is left out of the fit; the draws bring it back
_STEP_K, SURE_K, _MOST_STEPS, _ASTRAY_K = 0.5, 1e-3, 12, 4.0
_SPARE = 16  # draws more than columns that a fit needs
_ROUGH = 64  # draws enough to look nearby
_SEARCH = Search(_ROUGH, _STEP_K, SURE_K, _ASTRAY_K, float(_MOST_STEPS))
_ROUGHLY_K = 2.0  # margins are known so well when it is decided whether they are close
_CLOSE, _SETTLED = 2.0, 3.0  # as `thermal.chances.Settled` has them
_BENDS, _REACH = 3, 4.0  # columns of the cubic beside the mean; standard deviations up to which it bends


class Kept(NamedTuple):
    """Margin at a confidence and chance of passing the limit, and the standard errors of both; all of one shape."""

    margin_k: Floats
    error_k: Floats
    chance: Floats
    chance_error: Floats


class _Fit(NamedTuple):
    """Columns of the draws driven, what solves for their coefficients, columns of those that are not."""

    driven: Floats
    solve: Floats
    many: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """Cars and days: those that were driven, and many more of the same kind that were not."""

    logs: Floats  # (n_draw, n_factor): logarithms of the factors
    air_k: Floats  # (n_draw, n_day): shifts of the air
    many_logs: Floats  # likewise, of the draws not driven
    many_air_k: Floats  # likewise
    fits: dict[int, _Fit] = field(default_factory=dict)
    firsts: "dict[int, Sample]" = field(default_factory=dict)

    def first(self, n_draw: int) -> "Sample":
        """The same with only the first draws driven."""
        if n_draw not in self.firsts:
            part = replace(self, logs=self.logs[:n_draw], air_k=self.air_k[:n_draw], fits={}, firsts={})
            self.firsts[n_draw] = part
        return self.firsts[n_draw]

    def fit(self, day: int) -> _Fit:
        """Columns for margins of one day."""
        if day not in self.fits:
            driven, many = (
                self._columns(self.logs, self.air_k, day),
                self._columns(self.many_logs, self.many_air_k, day),
            )
            self.fits[day] = _Fit(driven, np.asarray(np.linalg.pinv(driven), np.float64), many)
        return self.fits[day]

    def _columns(self, logs: Floats, air_k: Floats, day: int) -> Floats:
        """One, the factors, the air of that day."""
        return np.column_stack((np.ones(len(logs)), logs, air_k[:, min(day, air_k.shape[1] - 1)]))


def sample_of(car: VehicleFile, factors: Factors, shift_k: Floats, sd_k: Floats, seed: int = SEED) -> Sample:
    """Put the draws that were driven beside many that were not."""
    many, air = draw(MANY, ambient_sd_k=sd_k, seed=seed + 1_000_003, posterior=car.spread, vehicle=car.vehicle)
    return Sample(
        logs=np.log(np.column_stack(factors)),
        air_k=shift_k,
        many_logs=np.log(np.column_stack(many)),
        many_air_k=air,
    )


def keep_legs(were_k: Floats, day: Days, sample: Sample, confidence: float, *, close_k: float = CLOSE_K) -> Kept:
    """Margins of every leg and fluid; those roughly below `close_k` with the help of draws that were not driven.

    `were_k` is by draw, leg, fluid and node, as `thermal.simulate.Result` has it; `day` by leg. The result is by leg
    and fluid.
    """
    shape, share = were_k.shape[1:3], 1.0 - confidence
    cells = were_k.reshape(len(were_k), -1, were_k.shape[3])
    days, fits = np.repeat(day, shape[1]), {number: sample.fit(number) for number in np.unique(day).tolist()}
    enough = len(were_k) >= fits[int(day[0])].driven.shape[1] + _SPARE
    close_k = close_k + _ROUGHLY_K if enough else -np.inf
    found = settle_each(cells, NODES, share, close_k, _SEARCH)
    out = Kept(np.where(found.state == 0.0, np.inf, found.margin_k), *(np.zeros(len(days)) for _ in range(3)))
    for number, fit in fits.items():
        here = np.flatnonzero((found.state == _SETTLED) & (days == number))
        fit_now = fit if enough else None
        for kept, chances, rest in (
            (out.error_k, found.driven, found.rest),
            (out.chance_error, found.driven_zero, found.rest_zero),
        ):
            kept[here] = _scatter(chances[here].T, rest[here], fit_now)
        out.error_k[here] /= np.maximum(found.density[here], 1e-9)
        out.chance[here] = np.clip(found.chance[here], 0.0, 1.0)
    for cell in np.flatnonzero(found.state == _CLOSE):
        part = cells[:, cell : cell + 1]
        new = _keep(part, part[:0], days[cell : cell + 1], sample, confidence, close_k)
        for column, value in zip(out, new, strict=True):
            column[cell] = value
    return Kept(*(column.reshape(shape) for column in out))


def _scatter(chances: Floats, rest: Floats, fit: "_Fit | None") -> Floats:
    """Standard error of the mean over draws of some columns of chances, of which `rest` are the variances."""
    if fit is None:
        return np.asarray(np.sqrt(rest / (len(chances) - 1)))
    left = chances - fit.driven @ (fit.solve @ chances)  # as in `_Told.error`
    return np.asarray(np.sqrt(left.var(axis=0) / (len(chances) - fit.driven.shape[1])))


def keep_least(were_k: Floats, day: Days, sample: Sample, confidence: float) -> Kept:
    """The smallest margin over all legs, by fluid."""
    cells = [_keep(were_k[:, :, f], were_k[:0, :, f], day, sample, confidence, CLOSE_K) for f in range(were_k.shape[2])]
    return _arranged(cells, were_k.shape[2:3])


def keep_changed(
    planned_k: Floats,
    columns: Days,
    few_k: Floats,
    day: Days,
    sample: Sample,
    confidence: float,
    *,
    chances: bool = True,
) -> Kept:
    """The smallest margin over all legs, by fluid, after a change that only the first draws drove.

    `planned_k` are margins before the change, by draw, leg, fluid of the model and node; `few_k` those after it, of the
    first draws and the fluids of the model in `columns`. Legs without a part in a fluid's smallest margin are left out.
    Without `chances` those of passing the limit are not worked out and not a number.
    """
    legs, fluids = np.nonzero(_matter(few_k, 1.0 - confidence))
    exact, day = few_k[:, legs, fluids], day[legs]
    were, cells = guessed(planned_k[:, legs, columns[fluids]], exact, day, sample), []
    for f in range(len(columns)):
        here = fluids == f
        cells.append(_keep(were[:, here], exact[:, here], day[here], sample, confidence, CLOSE_K, chances=chances))
    return _arranged(cells, columns.shape)


def keep_roughly(before_k: Floats, after_k: Floats, kept: Kept, day: Days) -> Kept:
    """The smallest margin by fluid after a change, and the chance: those before it moved as the first draws move.

    Enough for fluids that are not close: the margin's error is taken as the whole scatter of its change. `before_k` and
    `after_k` are margins of the same draws, by draw, leg, fluid and node, `kept` what came of all before the change.
    """
    n_fluid = after_k.shape[2]
    was, now = ([smaller(one[:, :, f], NODES, day, 0.0) for f in range(n_fluid)] for one in (before_k, after_k))
    change, root = np.array(now) - np.array(was), np.sqrt(len(after_k) - 1)
    gain_k = after_k[..., _ROUGHLY_AT].min(axis=1) - before_k[..., _ROUGHLY_AT].min(axis=1)
    return Kept(
        margin_k=kept.margin_k + gain_k.mean(axis=0),
        error_k=np.hypot(kept.error_k, gain_k.std(axis=0)),
        chance=np.clip(kept.chance + change.mean(axis=1), 0.0, 1.0),
        chance_error=np.hypot(kept.chance_error, change.std(axis=1) / root),
    )


def guessed(were_k: Floats, few_k: Floats, day: Days, sample: Sample) -> Floats:
    """Margins of all draws after a change that only the first draws drove.

    `were_k` are those before the change, by draw, cell (a leg and a fluid) and node; `few_k` those after it, of the
    first draws; `day` by cell. The fit of the difference is linear in the factors' logarithms and the day's air, with a
    cubic of the margin before it: a heater does more for a car that is hot. Where the draws are too few for the linear
    part, it has the cubic alone.
    """
    out, n = were_k.copy(), len(few_k)
    change = few_k - were_k[:n]
    moved = np.abs(change).max(axis=(0, 2)) > SURE_K
    for number in np.unique(day[moved]):
        at = np.flatnonzero(moved & (day == number))
        fit = sample.fit(int(number)).driven
        solve = sample.first(n).fit(int(number)).solve if n >= fit.shape[1] + _SPARE else None
        out[:, at] += _spread_out(change[:, at], solve, fit, were_k[:, at, _LOOK_AT])
    return out


def _matter(few_k: Floats, share: float) -> npt.NDArray[np.bool_]:
    """Legs and fluids that may have a part in the smallest margin: those that `_keep` chooses, and some more."""
    finite, close = np.isfinite(few_k[0, :, :, 0]), np.zeros(few_k.shape[1:3], np.bool_)
    for f in np.flatnonzero(finite.any(axis=0)):
        here = np.flatnonzero(finite[:, f])
        about = _about(few_k[:, here, f], np.zeros(len(here), np.int64), share)
        close[here, f] = few_k[:, here, f, -1].min(axis=0) < max(about, 0.0) + 2.0 * _ASTRAY_K
    return close


def _spread_out(change_k: Floats, solve: Floats | None, driven: Floats, before_k: Floats) -> Floats:
    """Changes of margins of all draws, from those of the first: by draw, margin and node."""
    n, n_cell, n_node = change_k.shape
    straight = np.zeros((len(driven), n_cell, n_node))
    if solve is not None:
        straight = (driven @ (solve @ change_k.reshape(n, -1))).reshape(straight.shape)
    bent = _cubic((before_k - before_k.mean(axis=0)) / np.maximum(before_k.std(axis=0), 1e-9)).transpose(1, 0, 2)
    few, left = bent[:, :n], (change_k - straight[:n]).transpose(1, 0, 2)
    curve = np.linalg.solve(few.transpose(0, 2, 1) @ few + 1e-9 * np.eye(4), few.transpose(0, 2, 1) @ left)
    return np.asarray(straight + (bent @ curve).transpose(1, 0, 2))


def rough_chance(were_k: Floats) -> Floats:
    """Chances that some leg of a day passes its limit, by fluid, from draws of it alone; arrays as in `keep_least`."""
    day = np.zeros(were_k.shape[1], np.int64)
    return np.array([smaller(were_k[:, :, f], NODES, day, 0.0).mean() for f in range(were_k.shape[2])])


def _arranged(cells: list[tuple[float, float, float, float]], shape: tuple[int, ...]) -> Kept:
    """Arrange cell by cell as arrays."""
    return Kept(*(np.array(column).reshape(shape) for column in zip(*cells, strict=True)))


def _keep(
    were_k: Floats,
    exact_k: Floats,
    day: Days,
    sample: Sample,
    confidence: float,
    close_k: float,
    *,
    chances: bool = True,
) -> tuple[float, float, float, float]:
    """One margin: by the draws that were driven, and with those that were not where it is close."""
    here, share = np.isfinite(were_k[0, :, 0]), 1.0 - confidence
    if not here.any():
        return np.inf, 0.0, 0.0, 0.0
    about = _about(were_k[:, here], day[here], share)
    here &= were_k[:, :, -1].min(axis=0) < max(about, 0.0) + _ASTRAY_K  # others take an error that hardly any has
    if not here.any():
        return about, 0.0, 0.0, 0.0
    told = _Told(were_k[:, here], exact_k[:, here], day[here], sample, about if about < close_k else -np.inf)
    margin, density, found = told.look_for(share, about)
    error = told.error(found) / max(density, 1e-9)
    if not chances:
        return margin, error, np.nan, np.nan
    at_limit = told.at(0.0)
    return margin, error, min(max(at_limit.chance, 0.0), 1.0), told.error(at_limit)


def _about(were_k: Floats, day: Days, share: float) -> float:
    """Rough margin below which a share of the draws lies, from the first draws. [K]."""
    low, high = float(were_k[:, :, -1].min()), float(were_k[:, :, 0].min(axis=1).max())
    return about_k(were_k[:_ROUGH], NODES, day, share, (low, high))


class _Told:
    """What draws say of one margin: all that were driven, exact ones of the first, many that were not."""

    def __init__(self, were_k: Floats, exact_k: Floats, day: Days, sample: Sample, about_k: float) -> None:
        were_k, self.day = np.ascontiguousarray(were_k), day
        self.fit = sample.fit(int(day[0]))
        self.enough = len(were_k) >= self.fit.driven.shape[1] + _SPARE
        self.legs: Days = np.zeros(0, np.int64)
        self.margins = Margins(were_k, were_k[:0], were_k[:0], np.ascontiguousarray(exact_k))
        if self.enough and np.isfinite(about_k):
            self._fit_at(about_k, sample)

    def _fit_at(self, margin_k: float, sample: Sample) -> None:
        """Fit the legs that matter near a margin on what was driven."""
        were_k = self.margins.were_k
        share = each_leg(were_k, NODES, margin_k)
        self.legs = np.flatnonzero(share > _MATTERS * share.max())
        few = MANY if len(self.legs) == 1 else MANY // 4  # several legs take longer
        fits = [_like(were_k[:, leg], sample.fit(int(self.day[leg])), few) for leg in self.legs]
        like, many = (np.ascontiguousarray(np.stack(one, axis=1)) for one in zip(*fits, strict=True))
        self.margins = self.margins._replace(like_k=like, many_k=many)

    def at(self, margin_k: float) -> Corrected:
        """Chance that the margin is smaller than a value: what the fit says of many draws, corrected."""
        return corrected(self.margins, NODES, self.day, self.day[self.legs], margin_k)

    def look_for(self, share: float, about_k: float) -> tuple[float, float, Corrected]:
        """Margin below which a share of the draws lies, the chance's change per kelvin, that chance. [K, 1/K, -]."""
        return look_for(self.margins, NODES, self.day, self.day[self.legs], share, about_k, _SEARCH)

    def error(self, found: Corrected) -> float:
        """Standard error of a chance; what the fit does not explain counts as random."""
        n, columns = self.fit.driven.shape
        rest, free = found.rest, n - columns - _BENDS if len(self.legs) else n - 1
        if self.enough and not len(self.legs):  # quasi-random draws average what is straight in their columns nearly
            left = found.driven - self.fit.driven @ (self.fit.solve @ found.driven)  # without error
            rest, free = float(left.var()), n - columns
        squares = rest / free
        n_exact = len(self.margins.exact_k)
        if n_exact:
            fitted = columns if n_exact >= columns + _SPARE else 1
            squares += found.off / max(n_exact - fitted - _BENDS, 1)
        return float(np.sqrt(squares))


def _like(were_k: Floats, fit: _Fit, n_many: int) -> tuple[Floats, Floats]:
    """Margins of one leg by a fit: of the draws driven, and of many more."""
    slopes = fit.solve @ were_k
    like, many = fit.driven @ slopes, fit.many[:n_many] @ slopes
    middle, width = like[:, _LOOK_AT].mean(), max(like[:, _LOOK_AT].std(), 1e-9)
    bent, many_bent = (_cubic((one[:, _LOOK_AT] - middle) / width) for one in (like, many))
    curve = np.linalg.lstsq(bent, were_k - like, rcond=None)[0]
    return like + bent @ curve, many + many_bent @ curve


def _cubic(x: Floats) -> Floats:
    """Columns of a cubic, held straight beyond what the draws reach."""
    x = np.clip(x, -_REACH, _REACH)
    square = x * x
    return np.stack((np.ones_like(x), x, square, square * x), axis=-1)
