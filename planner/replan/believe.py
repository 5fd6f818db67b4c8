"""Updating an ensemble of draws with gauge readings, within the gauge's error.

The plan gives each draw its own temperatures at the time of the reading. A reading moves its fluid to within the
gauge's error, and the others according to their covariance in the draws (`thermal.assimilate`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.run import Start
from thermal.assimilate import BEYOND_SD, surprise_of, tapered, update
from thermal.fluids import BODY_KEYS, N_BODY
from thermal.kernel import Factors
from thermal.spread import draw
from thermal.taught import GAUGE_SD_K
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
_ROTORS_SD_K = 15.0  # ASSUMED: an infrared thermometer on a rotor; 5 to 30
MOMENT_SD_K = 2.0  # ASSUMED: error from the approximate place and time of a reading; 1 to 4
_GUESS_SD_K = 10.0  # ASSUMED: a fluid without a reading in a warm car without a plan; 6 to 15
_DRAWS, _SEED = 256, 20_270_711
_FEWEST = 8  # minimum for a covariance


@dataclass(frozen=True, slots=True, kw_only=True)
class Odd:
    """A reading outside every draw: the expected value, and whether the reading is used."""

    name: str
    read_k: float
    expected_k: float
    taken: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Believing:
    """Temperatures of each draw after the readings, the readings outside all draws, and the misfit."""

    start: Start
    odd: tuple[Odd, ...]
    misfit: float  # minus twice the log likelihood of the readings, up to a constant


def error_k(names: Mapping[str, float]) -> Floats:
    """Standard deviation of readings about each draw's value."""
    return np.array([float(np.hypot(GAUGE_SD_K.get(name, _ROTORS_SD_K), MOMENT_SD_K)) for name in names])


def read_on(by_plan: Callable[[Factors], Floats], car: VehicleFile, temps_k: Mapping[str, float]) -> Believing:
    """Update the planned temperatures with gauge readings.

    A reading outside the draws is reported. If it is hotter than planned it is used anyway, as the safe choice; if
    it is colder, the plan is used.
    """
    nodes = np.array([BODY_KEYS.index(name) for name in temps_k])
    read, sd = np.array(list(temps_k.values())), error_k(temps_k)
    factors, _ = draw(_DRAWS, ambient_sd_k=np.zeros(1), seed=_SEED, posterior=car.spread, vehicle=car.vehicle)
    drawn = by_plan(factors)
    error = np.diag(sd**2)
    expected = drawn[:, nodes].mean(axis=0)
    spread = np.cov(drawn[:, nodes], rowvar=False).reshape(error.shape) + error
    surprise = surprise_of(read, expected, spread)
    left = read - expected
    misfit = float(np.linalg.slogdet(spread)[1] + left @ np.linalg.solve(spread, left))
    far = np.abs(surprise) > BEYOND_SD
    odd = tuple(
        Odd(name=name, read_k=float(read[i]), expected_k=float(expected[i]), taken=bool(surprise[i] > 0.0))
        for i, name in enumerate(temps_k)
        if far[i]
    )
    use, hot = np.flatnonzero(~far), np.flatnonzero(far & (surprise > 0.0))
    gain = _gain(drawn, nodes[use], error[np.ix_(use, use)])

    def start(cars: Factors) -> Floats:
        temps = by_plan(cars)
        if len(temps) < _FEWEST:
            after = temps + (read[use] - temps[:, nodes[use]]) @ gain.T
        else:
            held = temps[:, nodes[use]]
            after = update(temps, held, read[use], error[np.ix_(use, use)]).states if use.size else temps.copy()
        after[:, nodes[hot]] = read[hot] + _scatter(len(temps), sd[hot])
        return np.asarray(after)

    return Believing(start=start, odd=odd, misfit=misfit)


def guessed(temps_k: Floats, read_k: Mapping[str, float]) -> Start:
    """Draw temperatures without a plan: readings with the gauge's error, other bodies with a much larger one."""
    sd = np.full(N_BODY, _GUESS_SD_K)
    sd[[BODY_KEYS.index(name) for name in read_k]] = error_k(read_k)
    if "coolant" in read_k:
        sd[BODY_KEYS.index("metal")] = sd[BODY_KEYS.index("coolant")]
    return lambda cars: temps_k + _scatter(len(cars.airflow), sd)


def _gain(drawn: Floats, nodes: npt.NDArray[np.intp], error_k2: Floats) -> Floats:
    """Gain of every body per kelvin of innovation of a reading."""
    x, y = drawn - drawn.mean(axis=0), drawn[:, nodes] - drawn[:, nodes].mean(axis=0)
    n = len(drawn)
    c_xy = tapered(x.T @ y / (n - 1), x.var(axis=0, ddof=1), y.var(axis=0, ddof=1), n)
    return np.asarray(np.linalg.solve(y.T @ y / (n - 1) + error_k2, c_xy.T).T)


def _scatter(n: int, sd_k: Floats) -> Floats:
    """Reproducible errors of many draws; zero for a single car, the expected one. [K]."""
    if n < _FEWEST:
        return np.zeros((n, len(sd_k)))
    noise = np.random.default_rng(_SEED).normal(size=(n, len(sd_k)))
    return np.asarray((noise - noise.mean(axis=0)) / noise.std(axis=0) * sd_k)
