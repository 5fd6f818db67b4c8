"""Why a log differs from what was expected: causes tried one at a time, each judged by how probable it makes the log.

Every cause is compared with "nothing but what is usual": a car within the spread its file admits, a model that is off
as far as logs have shown it to be (`thermal.discrepancy`), an air sensor and gauges a little off and late. The
criterion is the probability of the readings under each, averaged over all that; for one added parameter, the Bayesian
information criterion approximates it. A cause that needs a large parameter to explain little loses by itself. A cause
may be there from the start or begin on the way. One more cause explains nothing: a fluid further off than the model's
error allows.
"""

from collections.abc import Sequence

import numpy as np
from scipy.special import logsumexp

from thermal.cause_list import COOLING, NAMES, UNEXPLAINED, USUAL, Cause, causes_for, changed, faulty_thermostat
from thermal.causes_error import error_at
from thermal.discrepancy import QUICK
from thermal.drive import Drive
from thermal.evidence import Best, Try, Weighed
from thermal.expected import rows_at
from thermal.fit_error import LEAST_NOISE_K, mean_square_k2
from thermal.fluids import FACTORS, N_BODY
from thermal.kernel import Factors
from thermal.leaps import Leap, leaps_of, shifts_k
from thermal.log_drive import Readings
from thermal.posterior import NOTHING, Posterior
from thermal.ranges import BoolArray, FloatArray
from thermal.residuals import Nuisance, Whitening
from thermal.simulate import simulate
from thermal.spread import medians, spread_of
from thermal.vehicle import Vehicle
from thermal.verdict import CALM, Doubt, Verdict, alike

__all__ = ["UNEXPLAINED", "USUAL", "Doubt", "Verdict", "alike", "faulty_thermostat", "judge"]

# ASSUMED: a log is reviewed for a reason, yet more often than not nothing is wrong; what no cause on the list explains
# is rare; the rest is shared by all causes. Half of the faults were there from the start, half begin on the way.
_PRIOR_USUAL, _PRIOR_UNEXPLAINED, _PRIOR_START = CALM, 0.05, 0.5
# The size of the model's error is itself known to about a third: sizes tried, and their weights.
_SIZES, _SIZE_WEIGHTS = (0.7, 1.0, 1.45, 2.1), (0.2, 0.4, 0.28, 0.12)
_FURTHER = (3.0, 6.0)  # times the model's error of one fluid, where nothing on the list explains it
# A cause may come to matter if the logarithm of the odds against it is below this. Then the likeliest moment is cut
# into parts, so often: a fault tried ten minutes early or late does not fit, and 16 K of coolant went untold.
_MAY_MATTER, _PARTS, _NEARER = 5.0, 3.0, 2
_ONSETS, _ONSET_LEAST_S = 6, 600.0  # moments tried; a fault needs ten minutes to show
_MOST_WORK = 4.0  # ASSUMED: what a logged load can say at most, for it may not be what its name says (3 to 5)
# ASSUMED: smaller effects are irrelevant, and may be model error.
_MATTERS_K = 3.0
# ASSUMED: a gauge that shows one value for 10 min while the model moves by 5 K is stuck, anywhere within 100 K.
_STUCK_S, _STUCK_MOVES_K, _LEVEL_WIDTH_K = 600.0, 5.0, 100.0
_LEAST_THERMOSTAT_SD_K, _MOST_NOISE_K, _TOLERANCE_K = 1.0, 2.0, 0.02
# Readings closer than on the days of docs/learning.md, on which verdicts were counted, are left out: with one every
# half minute, each counting as much, one of nine sound days was accused.
_READ_S = 60.0
# Odds of nothing unusual against a fault worth knowing of, below which a log does not rule it out.
_RULED_OUT = 10.0
# ASSUMED: how improbable a leap is of anything but its gauge, as a logarithm: 1 in 1e4 (1e3 to 1e6).
_LEAP = float(np.log(1e4))
# Powers the kernel's factors cannot be told beyond; steps of the central differences are shares of their spread.
_STEP, _LEAST_STEP = 0.3, 0.02


def judge(
    vehicle: Vehicle,
    drive: Drive,
    readings: Readings,
    *,
    posterior: Posterior = NOTHING,
    nuisance: Nuisance | None = None,
    doubt: Doubt | None = None,
    leaps: Sequence[Leap] = (),
) -> tuple[Verdict, ...]:
    """Judge every cause that the readings can speak of; most probable first, `usual` and `unexplained` among them.

    `vehicle` is the car as forecast, `drive` the drive as it was: its own speeds, heights and air. `posterior` is from
    earlier logs and sets how far a sound car may be from the forecast. `nuisance` says how wrong a log may be by
    itself, `doubt` how far air or heights may be off that the log does not have; the usual when not given. `leaps` are
    those of the log's gauges, in the drive's time, from readings as close as they were logged.
    """
    return _Judge(vehicle, drive, readings, posterior, nuisance or Nuisance(), doubt or Doubt(), leaps).verdicts()


class _Judge:
    """Evidence of every cause for one log."""

    def __init__(
        self,
        vehicle: Vehicle,
        drive: Drive,
        readings: Readings,
        posterior: Posterior,
        nuisance: Nuisance,
        doubt: Doubt,
        leaps: Sequence[Leap],
    ) -> None:
        readings, self.leaps = readings.every(_READ_S), leaps
        self.vehicle, self.drive, self.readings = vehicle, drive, readings
        self.posterior, self.nuisance, self.doubt = posterior, nuisance, doubt
        self._kept: dict[int, tuple[Whitening, Weighed]] = {}
        self.seen = np.isfinite(readings.temp_k)
        self.bodies = [int(b) for b in np.flatnonzero(self.seen.any(axis=0))]
        self.base = medians(posterior)
        self.rows, self.place = rows_at(drive, readings.time_s)
        self.edge_s = np.cumsum(drive.duration_s)
        self.covariance = self._prior()
        last = float(readings.time_s[-1])
        moments, self.calm = last * np.arange(1, _ONSETS + 1) / (_ONSETS + 1.0), -np.inf
        self.onsets = [float(t) for t in moments if _ONSET_LEAST_S <= t <= last - _ONSET_LEAST_S]
        self.plain_k = self._run(self.vehicle, self.base)[0]
        self.states_k = self._states()
        known, at = posterior.discrepancy.weighing(), self.rows[self.place]
        self.sd_k, self.lasting_s = error_at(known, vehicle, drive, at, readings.time_s, self.plain_k)
        self.worth = self._worth()
        rough = mean_square_k2(np.diff(self.plain_k - readings.temp_k, axis=0))
        self.noise_k = np.clip(np.sqrt(0.5 * np.nan_to_num(rough, nan=0.5)), LEAST_NOISE_K, _MOST_NOISE_K)
        self.whites = [self._whitening(self.seen, np.full(N_BODY, size)) for size in _SIZES]
        self.plain_slopes = self._slopes(self.vehicle, self.base, None)

    # --- what is usual ------------------------------------------------------------------------------------------------

    def _prior(self) -> FloatArray:
        """Covariance of what is usual: factors, air, thermostat, load, then each gauge's error and lag."""
        n = self.nuisance
        thermostat = max(self.posterior.discrepancy.thermostat_sd_k, _LEAST_THERMOSTAT_SD_K)
        sd = [max(n.air_sd_k, self.doubt.air_sd_k), thermostat, max(self.doubt.load_sd, 1e-3)]
        sd += [n.gauge_sd_k] * len(self.bodies) + [n.lag_sd_s] * len(self.bodies)
        k = len(FACTORS)
        whole = np.zeros((k + len(sd), k + len(sd)))
        whole[:k, :k] = self.posterior.covariance(spread_of(self.vehicle))
        whole[range(k, k + len(sd)), range(k, k + len(sd))] = np.array(sd) ** 2
        return whole

    def _whitening(self, seen: BoolArray, size: FloatArray) -> Whitening:
        """Weights of the readings if the model's error of every body had its size times a factor."""
        there = Readings(
            time_s=self.readings.time_s,
            temp_k=np.where(seen, self.readings.temp_k, np.nan),
            start_k=self.readings.start_k,
        )
        return Whitening(there, self.sd_k * size, self.lasting_s, self.noise_k, car=True, worth=self.worth)

    def _worth(self) -> float:
        """Independent readings that one counts for, at most 1: the error changes every half of its quick memory."""
        # Its shape within that time is not the one assumed, and readings taken at their word accuse sound cars: on the
        # other car on 7 days of 20. Hence a likelihood to a power (Bissiri, Holmes & Walker, J. R. Statist. Soc. B 78,
        # 2016; from memory), as a fit weighs them. The power is not larger for readings further apart: the covariance
        # counts neighbours as alike already, and with both the evidence grew as readings were dropped.
        return min(1.0, _READ_S / (0.5 * QUICK * float(self.lasting_s[self.bodies].min())))

    # --- the model ----------------------------------------------------------------------------------------------------

    def _run(self, car: Vehicle, factors: Factors, air_k: FloatArray | None = None) -> FloatArray:
        """Temperatures at the readings' times of a car that does not change, shape (n_draw, n, 6). [K]"""
        shift = None if air_k is None else np.repeat(air_k, int(self.drive.day.max()) + 1, axis=1)
        found = simulate(
            self.drive,
            car,
            start_k=self.readings.start_k,
            factors=factors,
            ambient_k=shift,
            record=self.rows,
            tolerance_k=_TOLERANCE_K,
        )
        return found.temps_k[:, self.place]

    def _states(self) -> dict[int, FloatArray]:
        """Temperatures of the car as expected where a fault may begin, by first segment. [K]"""
        if not self.onsets:
            return {}
        moments = self.onsets
        for step_s in self._steps_s():
            moments = [t + s for t in moments for s in (-step_s, 0.0, step_s)]
        cuts = np.unique([self._cut(t) - 1 for t in moments])
        found = simulate(
            self.drive, self.vehicle, start_k=self.readings.start_k, factors=self.base, record=cuts
        ).temps_k[0]
        return dict(zip((int(cut) + 1 for cut in cuts), found, strict=True))

    def _steps_s(self) -> tuple[float, ...]:
        """Distances from a likely moment to the moments tried about it, wide ones first. [s]"""
        apart_s = float(self.readings.time_s[-1]) / (_ONSETS + 1.0)
        return tuple(apart_s / _PARTS**k for k in range(1, _NEARER + 1))

    def _cut(self, onset_s: float) -> int:
        """First segment after a moment."""
        return int(np.clip(np.searchsorted(self.edge_s, onset_s), 1, len(self.edge_s) - 1))

    def _late_run(self, car: Vehicle, factors: Factors, onset_s: float) -> FloatArray:
        """The same for a car as expected up to a moment, and with the fault from then on."""
        cut = self._cut(onset_s)
        after = self.rows >= cut
        out = np.repeat(self.plain_k[None], len(factors.airflow), axis=0)
        late = after[self.place]
        if after.any():
            found = simulate(
                self.drive.take(slice(cut, None)),
                car,
                start_k=self.states_k[cut],
                factors=factors,
                record=self.rows[after] - cut,
                tolerance_k=_TOLERANCE_K,
            ).temps_k
            out[:, late] = found[:, self.place[late] - int(np.argmax(after))]
        return out

    def _cases(self, cause: Cause, values: Sequence[float]) -> list[tuple[Vehicle, Factors]]:
        """Cars with a cause of several sizes; one run takes those that differ by factors alone."""
        if cause.factors:
            logs = np.array(values)
            moved = {name: getattr(self.base, name) * np.exp(logs) for name in cause.factors}
            whole = Factors(*(np.repeat(one, len(logs)) for one in self.base))
            return [(self.vehicle, whole._replace(**moved))]
        return [(changed(self.vehicle, cause, value), self.base) for value in values]

    def _models(self, cause: Cause, onset_s: float | None) -> FloatArray:
        """Readings expected for every value tried, shape (n_value, n, 6). [K]"""
        if cause.name in (USUAL, UNEXPLAINED):
            return np.asarray(self.plain_k[None])
        if cause.in_gauge:
            late = self.readings.time_s >= (0.0 if onset_s is None else onset_s)
            shift = np.zeros((len(cause.values), len(late), N_BODY))
            shift[:, late, cause.node] = np.array(cause.values)[:, None]
            return np.asarray(self.plain_k[None] + shift)
        cases = self._cases(cause, cause.values)
        run = [self._run(c, f) if onset_s is None else self._late_run(c, f, onset_s) for c, f in cases]
        return self._told(cause, np.concatenate(run))

    def _told(self, cause: Cause, models: FloatArray) -> FloatArray:
        """The same with the fluids of which the model cannot tell what a cause does to them, as expected without it."""
        models[:, :, list(cause.untold)] = self.plain_k[:, list(cause.untold)]
        return models

    def _misfit(self, models: FloatArray) -> FloatArray:
        """Model less reading, with gauges that lag as usual. [K]"""
        late = self.nuisance.lag_s * np.gradient(models, self.readings.time_s, axis=1)
        return np.asarray(models - late - self.readings.temp_k)

    def _slopes(self, car: Vehicle, base: Factors, onset_s: float | None) -> FloatArray:
        """Change of the readings with what is usual, shape (n_usual, n, 6): factors, air, thermostat, load, gauges."""
        k = len(FACTORS)
        step = np.maximum(_STEP * np.sqrt(np.diag(self.covariance)[:k]), _LEAST_STEP)
        logs = np.log(np.concatenate(base))
        load = np.array([0.1 if name in _LOAD else 0.0 for name in FACTORS])
        trials = np.vstack((logs + np.diag(step), logs - np.diag(step), *(logs + s * load for s in (0, 0, 1, -1))))
        air = np.zeros((len(trials), 1))
        air[2 * k, 0], air[2 * k + 1, 0] = 0.5, -0.5
        models = self._run(car, Factors(*np.exp(trials).T), air)
        up, down = (self._run(faulty_thermostat(car, d), base)[0] for d in (1.0, -1.0))
        slopes = list((models[:k] - models[k : 2 * k]) / (2.0 * step[:, None, None]))
        slopes += [models[2 * k] - models[2 * k + 1], 0.5 * (up - down), (models[-2] - models[-1]) / 0.2]
        if onset_s is not None:
            late = self.readings.time_s >= onset_s
            slopes = [np.where(late[:, None], s, p) for s, p in zip(slopes, self.plain_slopes, strict=False)]
        for kind in ("offset", "lag"):
            for body in self.bodies:
                one = np.zeros_like(up)
                one[:, body] = 1.0 if kind == "offset" else -np.gradient(up[:, body], self.readings.time_s)
                slopes.append(one)
        return np.array(slopes)

    # --- evidence -----------------------------------------------------------------------------------------------------

    def _scores(
        self, misfit: FloatArray, slopes: FloatArray, whites: Sequence[Whitening], weights: Sequence[float]
    ) -> tuple[FloatArray, list[FloatArray]]:
        """Log probability of several misfits, averaged over what is usual, and what each leaves. [-, K]"""
        scores, steps = [], []
        for white, weight in zip(whites, weights, strict=True):
            r, weighed = white(misfit), self._weigh(white, slopes)
            b = r @ weighed.slopes.T
            x = b @ weighed.inverse
            fit = np.sum(r * r, axis=1) - np.sum(b * x, axis=1)
            scores.append(-0.5 * fit - weighed.half_log_volume + np.log(weight))
            steps.append(x)
        which = np.argmax(scores, axis=0)
        best = np.array(steps)[which, np.arange(len(which))]
        left = [
            np.where(self.seen, m - np.tensordot(x, slopes, axes=1), np.nan) for m, x in zip(misfit, best, strict=True)
        ]
        return np.asarray(logsumexp(scores, axis=0)), left

    def _weigh(self, white: Whitening, slopes: FloatArray) -> Weighed:
        """Slopes under one weighing; those about the car as expected are kept."""
        plain = slopes is self.plain_slopes
        if plain and id(white) in self._kept:
            return self._kept[id(white)][1]
        j = white(slopes)
        whole = np.linalg.inv(self.covariance) + j @ j.T
        _, volume = np.linalg.slogdet(self.covariance @ whole)
        found = Weighed(
            j, np.asarray(np.linalg.inv(whole), dtype=np.float64), 0.5 * float(volume) + white.half_log_volume
        )
        if plain:
            self._kept[id(white)] = (white, found)
        return found

    def _evidence(self, cause: Cause) -> Best:
        """Evidence of a cause over all its sizes and moments."""
        if cause.name.startswith("stuck"):
            return self._stuck(cause.node)
        if cause.name == UNEXPLAINED:
            return self._further(cause.node)
        if own := leaps_of(cause, self.leaps):
            return self._leap(own)
        tries: list[tuple[float | None, float]] = [(None, 1.0)]
        if cause.name != USUAL and self.onsets:
            tries = [(None, _PRIOR_START), *((t, (1.0 - _PRIOR_START) / len(self.onsets)) for t in self.onsets)]
        found = [self._try(cause, onset_s, weight) for onset_s, weight in tries]
        serious = max(found[0].serious, self._serious(cause) if found[0].serious < self._ruled_out() else -np.inf)
        found = self._nearer(cause, found)
        best = max(found, key=lambda f: f.score)
        whole = float(logsumexp([f.score for f in found]))
        if cause.name == USUAL or cause.in_gauge:
            self.calm = whole if cause.name == USUAL else self.calm
            return Best(whole, cause.values[best.at], best.onset_s, best.model_k, best.left_k, serious)
        # about the best one, what is usual may move the readings otherwise than about the car as expected
        car, factors = self._cases(cause, [cause.values[best.at]])[0]
        slopes = self._slopes(car, factors, best.onset_s)
        scores, left = self._scores(self._misfit(self._models(cause, best.onset_s)), slopes, self.whites, _SIZE_WEIGHTS)
        scores = scores + np.log(cause.weights) + np.log(best.weight) + self._work(cause, best.onset_s)
        at = int(np.argmax(scores))
        others = [f.score for f in found if f is not best]
        return Best(
            float(logsumexp([float(logsumexp(scores)), *others])),
            cause.values[at],
            best.onset_s,
            self._models(cause, best.onset_s)[at],
            left[at],
            serious,
        )

    def _ruled_out(self) -> float:
        """Score below which the log rules a fault out."""
        return self.calm - float(np.log(_RULED_OUT))

    def _serious(self, cause: Cause) -> float:
        """Evidence of a cooling fault worth knowing of, with what is usual as it moves such a car."""
        # With a dead fan the air through the core counts for more: a car with more of it hides the fault.
        if cause.name not in COOLING:
            return -np.inf
        scores = []
        for car, factors in self._cases(cause, cause.serious):
            misfit = self._misfit(self._told(cause, self._run(car, factors)))
            scores.append(self._scores(misfit, self._slopes(car, factors, None), self.whites, _SIZE_WEIGHTS)[0].max())
        return float(max(scores))

    def _nearer(self, cause: Cause, found: list[Try]) -> list[Try]:
        """The same tries with the likeliest moment cut in three, and again, if the cause may come to matter."""
        # Not a gauge's: a jump put at the right minute fits a thermostat that shuts as well as the thermostat does.
        for step_s in self._steps_s():
            best = max(found, key=lambda f: f.score)
            if best.onset_s is None or cause.in_gauge or best.score < self.calm - _MAY_MATTER:
                return found
            third = best.weight / _PARTS
            same = best._replace(score=best.score - np.log(_PARTS), weight=third)
            beside = [self._try(cause, best.onset_s + s, third) for s in (-step_s, step_s)]
            found = [*(f for f in found if f is not best), same, *beside]
        return found

    def _try(self, cause: Cause, onset_s: float | None, weight: float) -> Try:
        """Evidence of a cause over all its sizes at one moment."""
        models = self._models(cause, onset_s)
        scores, left = self._scores(self._misfit(models), self.plain_slopes, self.whites, _SIZE_WEIGHTS)
        near = [int(np.argmin(np.abs(np.array(cause.values) - value))) for value in cause.serious]
        serious = float(max(scores[near], default=-np.inf))
        scores = scores + np.log(cause.weights) + np.log(weight) + self._work(cause, onset_s)
        at = int(np.argmax(scores))
        return Try(float(logsumexp(scores)), at, onset_s, models[at], left[at], weight, serious)

    def _work(self, cause: Cause, onset_s: float | None) -> FloatArray:
        """Log probability of the logged work under every size of a cause, less that of usual work; 0 without a load."""
        values = np.array(cause.values)
        if cause.name != "load" or not np.isfinite(self.doubt.work):
            return np.zeros(len(values))
        after = 1.0 - (0.0 if onset_s is None else onset_s / float(self.edge_s[-1]))
        found, sd = np.log(self.doubt.work), float(np.hypot(self.doubt.work_sd, self.doubt.load_sd))
        more = 0.5 * ((found / sd) ** 2 - ((found - after * values) / sd) ** 2)
        return np.asarray(np.clip(more, -_MOST_WORK, _MOST_WORK))

    def _further(self, node: int) -> Best:
        """Evidence of a fluid that is further off than the model's error allows, without a cause from the list."""
        scores, kept = [], None
        for times in _FURTHER:
            size = np.ones(N_BODY)
            size[node] = times
            found, left = self._scores(
                self._misfit(self.plain_k[None]), self.plain_slopes, [self._whitening(self.seen, size)], (1.0,)
            )
            scores.append(float(found[0]) - np.log(len(_FURTHER)))
            kept = left[0] if kept is None else kept
        return Best(float(logsumexp(scores)), 0.0, None, self.plain_k, self._off(node) if kept is None else kept)

    def _off(self, node: int) -> FloatArray:
        """Model less reading of one body."""
        return np.asarray(np.where(np.arange(N_BODY) == node, self.plain_k - self.readings.temp_k, np.nan))

    def _stuck_from(self, node: int) -> int | None:
        """Row from which a gauge reads one value to the end while the fluid must have moved."""
        rows = np.flatnonzero(self.seen[:, node])
        values = self.readings.temp_k[rows, node]
        moved = np.flatnonzero(np.diff(values) != 0.0)
        first = int(rows[moved[-1] + 1]) if len(moved) else int(rows[0])
        last = int(rows[-1])
        if self.readings.time_s[last] - self.readings.time_s[first] < _STUCK_S:
            return None
        return first if float(np.ptp(self.plain_k[first : last + 1, node])) >= _STUCK_MOVES_K else None

    def _stuck(self, node: int) -> Best:
        """Evidence of a stuck gauge: no information after its onset, penalised for level and onset."""
        first = self._stuck_from(node) or 0
        seen = self.seen.copy()
        seen[first:, node] = False
        whites = [self._whitening(seen, np.full(N_BODY, size)) for size in _SIZES]
        scores, left = self._scores(self._misfit(self.plain_k[None]), self.plain_slopes, whites, _SIZE_WEIGHTS)
        left[0][first:, node] = 0.0
        n = int(self.seen[first:, node].sum())
        noise = float(self.noise_k[node])
        # equal readings with noise, at an unknown level
        level = -self.worth * n * np.log(noise) + np.log(noise / _LEVEL_WIDTH_K) - np.log(max(len(self.seen), 2))
        return Best(float(scores[0] + level), 0.0, float(self.readings.time_s[first]), self.plain_k, left[0])

    def _leap(self, own: Sequence[Leap]) -> Best:
        """Evidence of a gauge that leaps as it was seen to: right before the first leap, or after the last."""
        models = self.plain_k + shifts_k(own, self.readings.time_s)
        scores, left = self._scores(self._misfit(models), self.plain_slopes, self.whites, _SIZE_WEIGHTS)
        at, most = int(np.argmax(scores)), max(own, key=lambda leap: abs(leap.change_k))
        whole = float(logsumexp(scores)) - np.log(len(scores))
        return Best(whole, most.change_k, most.time_s, models[at], left[at])

    # --- verdicts -----------------------------------------------------------------------------------------------------

    def verdicts(self) -> tuple[Verdict, ...]:
        """All causes, most probable first; what hardly moves a fluid counts as usual."""
        listed = [c for c in causes_for(self.vehicle, self.bodies) if self._can(c)]
        off = [
            Cause(UNEXPLAINED, f"the {NAMES[b]} is off for a reason not on the list", node=b) for b in self._fluids()
        ]
        causes = [Cause(USUAL, "nothing but what is usual"), *off, *listed]
        found = [self._evidence(cause) for cause in causes]
        shares = {USUAL: _PRIOR_USUAL, UNEXPLAINED: _PRIOR_UNEXPLAINED / max(len(off), 1)}
        rest = (1.0 - _PRIOR_USUAL - _PRIOR_UNEXPLAINED) / max(len(listed), 1)
        score = np.array([f.score + np.log(shares.get(c.name, rest)) for c, f in zip(causes, found, strict=True)])
        score -= [_LEAP * (len(self.leaps) - len(leaps_of(c, self.leaps))) for c in causes]
        share = np.exp(score - logsumexp(score))
        out, usual = [], 0.0
        for cause, best, p in zip(causes, found, share, strict=True):
            effect = self._effect_k(cause, best)
            if cause.name != USUAL and effect < _MATTERS_K:
                usual += float(p)
                continue
            out.append(
                Verdict(
                    name=cause.name if cause.name != UNEXPLAINED else f"{UNEXPLAINED}_{cause.node}",
                    words=cause.words,
                    probability=float(p),
                    value=float(np.exp(best.value)) if cause.factors else best.value,
                    rmse_k=float(np.sqrt(np.nanmean(best.left_k**2))),
                    onset_s=best.onset_s,
                    effect_k=effect,
                    change_k=self._changes_k(cause, best),
                )
            )
        first = out[0]
        out[0] = Verdict(
            name=first.name,
            words=first.words,
            probability=first.probability + usual,
            value=0.0,
            rmse_k=first.rmse_k,
            unseen=tuple(c.name for c, f in zip(causes, found, strict=True) if f.serious > self._ruled_out()),
        )
        return tuple(sorted(out, key=lambda v: -v.probability))

    def _fluids(self) -> list[int]:
        return [b for b in self.bodies if b in NAMES]

    def _can(self, cause: Cause) -> bool:
        return not cause.name.startswith("stuck") or self._stuck_from(cause.node) is not None

    def _changes_k(self, cause: Cause, best: Best) -> tuple[float, ...]:
        """How far a cause moves every body, where that body reads highest. [K]"""
        if cause.name in (USUAL, UNEXPLAINED) or cause.name.startswith("stuck"):
            return ()
        top = np.argmax(np.where(self.seen, self.readings.temp_k, 0.0), axis=0)
        return tuple(float((best.model_k - self.plain_k)[top[b], b]) for b in range(N_BODY))

    def _effect_k(self, cause: Cause, best: Best) -> float:
        """How far a cause moves the reading that it moves most; of one without a model, how far the reading is off."""
        if cause.name == USUAL:
            return 0.0
        if cause.name == UNEXPLAINED or cause.name.startswith("stuck"):
            return float(np.nanmax(np.abs(self._off(cause.node))))
        return float(np.nanmax(np.where(self.seen, np.abs(best.model_k - self.plain_k), np.nan)))


_LOAD = ("engine_heat", "gearbox_heat", "axle_heat")
