"""Draws of what is not known of a car and a day: quasi-random, seeded, the same every time."""

import numpy as np

from thermal.fluids import FACTORS
from thermal.kernel import Factors
from thermal.posterior import NOTHING, Posterior
from thermal.ranges import FloatArray

SEED = 20270706
CLASS_SPREAD = {name: factor.spread for name, factor in FACTORS.items()}
_CLASS_SD = np.array(list(CLASS_SPREAD.values()))


def medians(posterior: Posterior = NOTHING) -> Factors:
    """Give the one draw that stands for the car as best known.

    Parameters
    ----------
    posterior : Posterior
        What logs have taught; nothing when not given.

    Returns
    -------
    Factors
        One draw, each factor at its median.

    Examples
    --------
    >>> float(medians().airflow[0])
    1.0
    """
    return Factors(*(np.array([value]) for value in posterior.medians))


def draw(
    n_draw: int, *, ambient_sd_k: FloatArray, seed: int = SEED, posterior: Posterior = NOTHING
) -> tuple[Factors, FloatArray]:
    """Draw cars and days.

    Parameters
    ----------
    n_draw : int
        Number of draws; a power of two keeps the sequence balanced. [-]
    ambient_sd_k : ndarray, shape (n_day,)
        Standard deviation of each day's air temperature against the one expected. [K]
    seed : int
        Seed of the scrambling. [-]
    posterior : Posterior
        What logs have taught of this car: its factors' medians, spreads and correlations; else 1 and the class's.

    Returns
    -------
    tuple of Factors and ndarray, shape (n_draw, n_day)
        Factors about their medians, and shifts of the air temperature. [K]

    Notes
    -----
    Scrambled Sobol points (Owen) through the inverse normal; factors are log-normal.

    Examples
    --------
    >>> factors, shift_k = draw(64, ambient_sd_k=np.full(3, 3.6))
    >>> factors.airflow.shape, shift_k.shape
    ((64,), (64, 3))
    """
    from scipy.special import ndtri  # here, as importing scipy.stats takes half a second
    from scipy.stats import qmc

    n_later = sum(factor.later for factor in FACTORS.values())
    n_first = len(FACTORS) - n_later
    n_plain = n_first + len(ambient_sd_k)
    points = qmc.Sobol(n_plain, scramble=True, rng=np.random.default_rng(seed)).random(n_draw)
    # Coordinates that the first sequence does not use, so that the two together are balanced as one would be.
    tail = qmc.Sobol(n_plain + n_later, scramble=True, rng=np.random.default_rng([seed, 1])).random(n_draw)[:, n_plain:]
    normal, later = (ndtri(np.clip(part, 1e-6, 1.0 - 1e-6)) for part in (points, tail))
    by_factor = np.concatenate((normal[:, :n_first], later), axis=1)
    logs = by_factor @ _root(posterior).T if posterior.factors else by_factor * _CLASS_SD
    factors = Factors(*(middle * np.exp(column) for middle, column in zip(posterior.medians, logs.T, strict=True)))
    return factors, normal[:, n_first:] * ambient_sd_k[None, :]


def _root(posterior: Posterior) -> FloatArray:
    """Square root of the covariance; symmetric, so that a factor still follows mostly its own coordinate."""
    values, vectors = np.linalg.eigh(posterior.covariance(CLASS_SPREAD))
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
