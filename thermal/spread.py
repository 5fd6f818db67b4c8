"""Draws of the unknowns of a car and a day: quasi-random, seeded, reproducible."""

import numpy as np

from thermal.fluids import FACTORS
from thermal.kernel import Factors
from thermal.posterior import NOTHING, Posterior
from thermal.ranges import FloatArray
from thermal.sobol import normal
from thermal.vehicle import Vehicle

SEED = 20270706
CLASS_SPREAD = {name: factor.spread for name, factor in FACTORS.items()}
_NINETY_PERCENT = 3.29  # standard deviations from the 5th to the 95th in a hundred


def medians(posterior: Posterior = NOTHING) -> Factors:
    """Single draw of the car as best known, each factor at its median.

    >>> float(medians().airflow[0])
    1.0
    """
    return Factors(*(np.array([value]) for value in posterior.medians))


def spread_of(vehicle: Vehicle) -> dict[str, float]:
    """Standard deviation of ln(factor) by name for one car: its class's, larger for a radiator core of unknown age.

    A core that may be new or original lies between the two with 90 %: ln(new / original) is 3.29 standard deviations.
    """
    found = dict(CLASS_SPREAD)
    if vehicle.cooling.condition == "unknown":
        for name, share in (("radiator", vehicle.cooling.original_core), ("airflow", vehicle.cooling.original_air)):
            found[name] = float(np.hypot(found[name], -np.log(share) / _NINETY_PERCENT))
    return found


def draw(
    n_draw: int,
    *,
    ambient_sd_k: FloatArray,
    seed: int = SEED,
    posterior: Posterior = NOTHING,
    vehicle: Vehicle | None = None,
) -> tuple[Factors, FloatArray]:
    """Draw cars and days: factors about their medians, and shifts of the air temperature, shape (n_draw, n_day). [K]

    `n_draw` is a power of two, to keep the sequence balanced [-]; `ambient_sd_k` is the standard deviation of each
    day's air; `seed` is that of the scrambling [-]. Spreads are those of `vehicle`, see `spread_of`, else of any class.

    Scrambled Sobol points (Owen) through the inverse normal; factors are log-normal.

    >>> factors, shift_k = draw(64, ambient_sd_k=np.full(3, 3.6))
    >>> factors.airflow.shape, shift_k.shape
    ((64,), (64, 3))
    """
    n_later = sum(factor.later for factor in FACTORS.values())
    n_first = len(FACTORS) - n_later
    n_plain = n_first + len(ambient_sd_k)
    plain = normal(n_draw, n_plain, seed)
    # Coordinates that the first sequence does not use, so that the two together are balanced as one would be.
    later = normal(n_draw, n_plain + n_later, (seed, 1))[:, n_plain:]
    by_factor = np.concatenate((plain[:, :n_first], later), axis=1)
    usual = CLASS_SPREAD if vehicle is None else spread_of(vehicle)
    sd = np.array([usual[name] for name in FACTORS])
    logs = by_factor @ _root(posterior, usual).T if posterior.factors else by_factor * sd
    factors = Factors(*(middle * np.exp(column) for middle, column in zip(posterior.medians, logs.T, strict=True)))
    return factors, plain[:, n_first:] * ambient_sd_k[None, :]


def _root(posterior: Posterior, usual: dict[str, float]) -> FloatArray:
    """Square root of the covariance; symmetric, so that a factor still follows mostly its own coordinate."""
    values, vectors = np.linalg.eigh(posterior.covariance(usual))
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
