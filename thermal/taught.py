"""Learning a car's factors, and the air of single days, from manual gauge readings.

The unknowns and their prior are those that `thermal.fit` has for logs. A reading is one number with an error: of the
gauge, of what was driven against what was planned, and of the model itself (`thermal.discrepancy`), which stays alike
from reading to reading.
The update is that of a Kalman filter whose slopes come from pairs of points either side of the mean (divided
differences: Norgaard, Poulsen & Ravn, Automatica 36, 2000), taken again about what was found (posterior linearisation:
Garcia-Fernandez et al., IEEE Trans. Signal Process. 63, 2015; both from memory). No draw is random, so no chance
correlation can narrow what was not read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.assimilate import BEYOND_SD, surprise_of
from thermal.discrepancy import (
    CAR_SHARE,
    DAY_SHARE,
    QUICK,
    QUICK_SHARE,
    ROAD_SHARE,
    Discrepancy,
    conditions_of,
    scale_k,
)
from thermal.drive import Drive
from thermal.fluids import BODY_KEYS, FACTORS, FLUID_KEYS, FLUID_NODES, N_FLUID, fluid_of
from thermal.kernel import Factors
from thermal.posterior import NOTHING, Posterior, posterior_from
from thermal.ranges import FloatArray
from thermal.simulate import simulate
from thermal.spread import CLASS_SPREAD
from thermal.vehicle import Vehicle

AIR = "air"
STEP = np.sqrt(3.0)  # of the points either side: exact to the fourth moment of a normal
_ROUNDS = 3


# ASSUMED, not measured: a gauge with numbers, 1 to 4 K; air at one place against that of the day, 2 to 4 K.
_OILS = ("engine_oil", "transmission", "differential", "power_steering")
GAUGE_SD_K = {AIR: 2.5, "coolant": 2.0, **dict.fromkeys(_OILS, 3.0)}
# ASSUMED: what was driven is not what was planned, by so many minutes of road before and after; 2 to 6 min. [s]
TIMING_S = 240.0
# Size of the model's error on this car against that of its class, in steps, and how likely. ASSUMED: so that 90 %
# intervals hold 85 to 98 times in a hundred on cars of another structure (docs/readings.md).
SHARES = np.array([0.3, 0.4, 0.55, 0.75, 1.0, 1.35, 1.8])
MIDDLE_SHARE, SHARE_SPREAD = 0.85, 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One number read."""

    row: int  # segment of the drive at whose end it was read
    what: str  # a key of `GAUGE_SD_K`
    read_k: float
    # further standard deviation, for what the reader of the folder knows: of a time that does not fit
    more_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """Result of learning from readings; arrays have shape (n_observation,)."""

    posterior: Posterior  # what was known before, and the readings
    # by day on which air or anything else was read: shift of its air, and its standard deviation [K]
    air: dict[int, tuple[float, float]]
    expected_k: FloatArray  # what the car as known before gives
    after_k: FloatArray  # what the car as known after gives
    sd_k: FloatArray  # of reading less expected
    believed: npt.NDArray[np.bool_]  # whether the reading was used


def teach(
    drive: Drive,
    vehicle: Vehicle,
    seen: Sequence[Observation],
    *,
    air_sd_k: FloatArray,
    known: Posterior = NOTHING,
    start_k: FloatArray | None = None,
    timing_s: float = TIMING_S,
    as_expected: bool = False,
    source: str = "readings",
) -> Taught:
    """Learn a car's factors, and the air of the days, from at least one reading on a drive as planned or as driven.

    How large the model's error is on this car is learnt too, by fluid (the mean over a few sizes, each by how likely it
    makes the readings): readings that agree with each other narrow more than scattered ones.
    A reading more than 3.5 standard deviations from its expected value is not used: a wrong unit, another gauge, or a
    fault of the car, none of which is a factor. Used by `planner.forecast.lessons`.

    Parameters
    ----------
    air_sd_k : ndarray, shape (n_day,)
        Standard deviation of each day's air. [K]
    known : Posterior
        Posterior from logs; default: none.
    start_k : ndarray, shape (n_body,), optional
        Temperatures at the start; the air's when not given. [K]
    timing_s : float
        How much time of road a reading may be before or after. [s]
    as_expected : bool
        Replace every reading by its expected value, to compute its information only.
    source : str
        Said of every factor.
    """
    task = _Task(drive, vehicle, seen, air_sd_k, known, start_k, timing_s)
    middle, root = task.middle, np.linalg.cholesky(task.covariance)
    lines = task.lines(middle, root)
    spread = lines.slope @ task.covariance @ lines.slope.T + lines.bend + task.error(lines)
    if as_expected:
        task.read = lines.expected
    believed = np.abs(surprise_of(task.read, lines.expected, spread)) <= BEYOND_SD
    expected, sd, use = lines.expected, np.sqrt(np.diag(spread)), np.flatnonzero(believed)
    covariance = task.covariance
    if not as_expected:
        task.weigh_error(lines, use)
    for again in range(_ROUNDS if use.size else 0):
        if again:
            lines = task.lines(middle, np.linalg.cholesky(covariance))
        h, error = lines.slope[use], (lines.bend + task.error(lines))[np.ix_(use, use)]
        gain = np.linalg.solve(h @ task.covariance @ h.T + error, h @ task.covariance).T
        left = task.read[use] - lines.expected[use] - h @ (task.middle - middle)
        middle, covariance = task.middle + gain @ left, task.covariance - gain @ h @ task.covariance
        covariance = 0.5 * (covariance + covariance.T)
    n = len(FACTORS)
    sd_day = np.sqrt(np.diag(covariance))[n:]
    return Taught(
        posterior=posterior_from(list(FACTORS), np.exp(middle[:n]), covariance[:n, :n], source, task.learnt_error()),
        air={day: (float(middle[n + i]), float(sd_day[i])) for i, day in enumerate(task.days)},
        expected_k=expected,
        after_k=task.at(middle[None, :])[0],
        sd_k=sd,
        believed=believed,
    )


class _Lines(NamedTuple):
    """Readings as straight lines of the unknowns."""

    expected: FloatArray  # value
    fluids_k: FloatArray  # all fluids there
    slope: FloatArray
    bend: FloatArray  # what curvature adds to the error
    varies: FloatArray  # how much the value changes within minutes of road


class _Task:
    """Unknowns, their prior, and the readings they predict."""

    def __init__(
        self,
        drive: Drive,
        vehicle: Vehicle,
        seen: Sequence[Observation],
        air_sd_k: FloatArray,
        known: Posterior,
        start_k: FloatArray | None,
        timing_s: float,
    ) -> None:
        self.start_k, self.timing_s = start_k, timing_s
        self.drive = drive.take(slice(0, max(one.row for one in seen) + 1))
        self.vehicle, self.seen = vehicle, seen
        self.read = np.array([one.read_k for one in seen])
        day = self.drive.day.astype(np.int64)
        self.day_of = day[[one.row for one in seen]]
        self.days = [int(d) for d in np.unique(self.day_of)]
        self.end_s = np.cumsum(self.drive.duration_s)
        self.discrepancy, self.around = known.discrepancy, conditions_of(known.discrepancy, self.drive, vehicle)
        self.share = np.ones(N_FLUID)
        self.near = [self._near(one.row) for one in seen]
        sd = air_sd_k[self.days]
        self.middle = np.concatenate((np.log(known.medians), np.zeros(len(sd))))
        self.covariance = np.diag(np.concatenate((np.zeros(len(FACTORS)), np.maximum(sd, 0.1) ** 2)))
        self.covariance[: len(FACTORS), : len(FACTORS)] = known.covariance(CLASS_SPREAD)

    def at(self, points: FloatArray) -> FloatArray:
        """Every reading as each point of the unknowns predicts it, shape (n_point, n_observation). [K]."""
        return self._all(points)[0]

    def _all(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The same; all fluids there at the first point, and how much the fluid read changes within minutes of road."""
        n = len(FACTORS)
        shift = np.zeros((len(points), int(self.drive.day.max()) + 1))
        shift[:, self.days] = points[:, n:]
        wanted = np.unique(np.concatenate(self.near))
        factors = Factors(*np.exp(points[:, :n]).T)
        temps = simulate(
            self.drive, self.vehicle, start_k=self.start_k, factors=factors, ambient_k=shift, record=wanted
        ).temps_k
        out, varies = np.empty((len(points), len(self.seen))), np.zeros(len(self.seen))
        for i, (one, near) in enumerate(zip(self.seen, self.near, strict=True)):
            if one.what == AIR:
                out[:, i] = self.drive.air_k[one.row] + shift[:, self.day_of[i]]
                continue
            here = temps[:, :, BODY_KEYS.index(one.what)]
            out[:, i] = here[:, np.searchsorted(wanted, one.row)]
            around = here[0, np.searchsorted(wanted, near)]
            varies[i] = np.sqrt(np.mean((around - out[0, i]) ** 2))
        places = np.searchsorted(wanted, [one.row for one in self.seen])
        return out, temps[0][places][:, FLUID_NODES], varies

    def _near(self, row: int) -> npt.NDArray[np.int64]:
        """Segments driven within minutes of one, itself among them."""
        apart = np.abs(self.end_s - self.end_s[row])
        moving = (self.drive.speed_m_per_s > 0.0) & (apart <= self.timing_s)
        moving[row] = True
        return np.flatnonzero(moving)

    def lines(self, middle: FloatArray, root: FloatArray) -> _Lines:
        """Lay straight lines through the readings that points either side of the middle predict."""
        steps = STEP * root.T
        found, fluids, varies = self._all(np.vstack((middle, middle + steps, middle - steps)))
        n = len(middle)
        zero, up, down = found[0], found[1 : n + 1], found[n + 1 :]
        bent = up + down - 2.0 * zero
        slope = np.linalg.solve(root.T, (up - down) / (2.0 * STEP)).T
        return _Lines(
            fluids_k=fluids,
            expected=zero + bent.sum(axis=0) / (2.0 * STEP**2),
            slope=slope,
            bend=bent.T @ bent * (STEP**2 - 1.0) / (4.0 * STEP**4),
            varies=varies,
        )

    def weigh_error(self, lines: _Lines, use: npt.NDArray[np.int64]) -> None:
        """Find the size of the model's error on this car, by fluid: the mean over the sizes its readings allow."""
        what = np.array([one.what for one in self.seen])
        left = self.read - lines.expected
        plain = lines.slope @ self.covariance @ lines.slope.T + lines.bend
        for fluid in dict.fromkeys(what[use]):
            rows, index = use[what[use] == fluid], None if fluid == AIR else fluid_of(fluid).index
            if index is None:
                continue
            odds = []
            for share in SHARES:
                self.share[index] = share
                spread = (plain + self.error(lines))[np.ix_(rows, rows)]
                sign = np.linalg.slogdet(spread)[1] + left[rows] @ np.linalg.solve(spread, left[rows])
                odds.append(-0.5 * float(sign) - 0.5 * (np.log(share / MIDDLE_SHARE) / SHARE_SPREAD) ** 2)
            weight = np.exp(np.array(odds) - max(odds))
            share = float(np.sqrt(np.sum(weight * SHARES**2) / np.sum(weight)))
            self.share[index] = max(share, self.discrepancy.of(fluid).stays)

    def learnt_error(self) -> Discrepancy:
        each = {key: self.discrepancy.of(key) for key in FLUID_KEYS}
        return replace(
            self.discrepancy,
            fluids={key: replace(e, sd_k=e.sd_k * float(self.share[i])) for i, (key, e) in enumerate(each.items())},
        )

    def error(self, lines: _Lines) -> FloatArray:
        """Covariance of the readings' errors. [K2]."""
        what, rows = [one.what for one in self.seen], np.array([one.row for one in self.seen])
        is_air = np.array([name == AIR for name in what])
        column = np.array([0 if name == AIR else fluid_of(name).index for name in what])
        scale = scale_k(self.discrepancy, self.around, rows, lines.fluids_k)[np.arange(len(rows)), column]
        scale = scale * self.share[column]
        lasting = np.array([self.discrepancy.of(FLUID_KEYS[i]).lasting_s for i in column])[:, None]
        apart = np.abs(self.end_s[rows][:, None] - self.end_s[rows][None, :]) / lasting
        alike = CAR_SHARE + DAY_SHARE * (self.day_of[:, None] == self.day_of[None, :])
        alike = alike + ROAD_SHARE * np.exp(-apart) + QUICK_SHARE * np.exp(-apart / QUICK)
        same = (column[:, None] == column[None, :]) & ~is_air[:, None] & ~is_air[None, :]
        own = np.array([GAUGE_SD_K[one.what] ** 2 + one.more_k**2 for one in self.seen]) + lines.varies**2
        return np.asarray(np.where(same, alike * np.outer(scale, scale), 0.0) + np.diag(own))
