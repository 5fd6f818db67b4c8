"""Ensemble update: a linear-Gaussian update of many draws from a few readings, with outlier rejection.

The ensemble Kalman update with perturbed observations (Evensen, J. Geophys. Res. 99, 1994; Burgers, van Leeuwen &
Evensen, Mon. Weather Rev. 126, 1998). With few draws, chance correlations would narrow what was not read: covariances
are tapered by how likely they are to be chance (Furrer & Bengtsson, J. Multivar. Anal. 98, 2007; formulas from memory).
Nothing here knows of cars: states and readings are columns of numbers.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermal.errors import ThermalError
from thermal.ranges import FloatArray

BEYOND_SD = 3.5
"""ASSUMED (3 to 4): a reading further than this from what the draws predict is told, not believed. [-]"""
_SEED = 19_940_501


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """Draws after an update."""

    states: FloatArray  # shape (n_draw, n_state), in the unit they came in
    surprise: FloatArray  # reading less what the draws predict, over the standard deviation of that difference
    believed: npt.NDArray[np.bool_]  # whether each reading was used


def update(
    states: FloatArray, predicted_k: FloatArray, read_k: FloatArray, error_k2: FloatArray, *, seed: int = _SEED
) -> Update:
    """Update draws by readings; each draw uses readings perturbed by their error.

    Confirming readings narrow and never erase: a state keeps at least the variance that the errors leave it, and one
    that nothing read bears on keeps its own. A covariance c of two columns with variances a and b, of n draws, is
    multiplied by c2 / (c2 + (c2 + a b) / n): its squared error is then least.

    Raises `ThermalError` if shapes do not fit, there are fewer than eight draws, or the errors are no covariance.

    Parameters
    ----------
    states : ndarray, shape (n_draw, n_state)
        What is to be learnt, roughly normal: logarithms of factors, shifts of the air, temperatures. [any]
    predicted_k : ndarray, shape (n_draw, n_reading)
        Prediction of each reading by every draw, without gauge error. [K]
    error_k2 : ndarray, shape (n_reading, n_reading)
        Covariance of the readings' errors: gauge, representativeness, the model's own. [K2]
    seed : int
        Of the perturbations; the same readings give the same draws. [-]

    Examples
    --------
    >>> x = np.random.default_rng(0).normal(360.0, 15.0, (256, 1))  # draws of a differential's temperature
    >>> after = update(x, x, np.array([350.0]), np.array([[25.0]])).states
    >>> round(float(after.mean()), 0), round(float(after.std()), 0)  # by hand: 351.0 and 4.7
    (351.0, 5.0)
    """
    _check(states, predicted_k, read_k, error_k2)
    n_draw = len(states)
    x, y = states - states.mean(axis=0), predicted_k - predicted_k.mean(axis=0)
    c_yy = y.T @ y / (n_draw - 1)
    surprise = surprise_of(read_k, predicted_k.mean(axis=0), c_yy + error_k2)
    believed = np.abs(surprise) <= BEYOND_SD
    use = np.flatnonzero(believed)
    if not len(use):
        return Update(states=states.copy(), surprise=surprise, believed=believed)
    error = error_k2[np.ix_(use, use)]
    c_xy = tapered(x.T @ y[:, use] / (n_draw - 1), x.var(axis=0, ddof=1), y[:, use].var(axis=0, ddof=1), n_draw)
    off = read_k[use] + _perturbed(error, y[:, use], seed) - predicted_k[:, use]
    moved = np.linalg.solve(c_yy[np.ix_(use, use)] + error, off.T).T @ c_xy.T
    return Update(states=states + moved, surprise=surprise, believed=believed)


def surprise_of(read_k: FloatArray, expected_k: FloatArray, covariance_k2: FloatArray) -> FloatArray:
    """How far readings are from what is expected, each alone, in standard deviations; positive where hotter.

    `covariance_k2`, shape (n_reading, n_reading), is that of their difference.
    """
    return np.asarray((read_k - expected_k) / np.sqrt(np.diag(covariance_k2)))


def tapered(covariance: FloatArray, var_x: FloatArray, var_y: FloatArray, n_draw: int) -> FloatArray:
    """Shrink covariances of `n_draw` samples by how likely they are to be chance: the same sign, never larger.

    `covariance` has shape (n_x, n_y); `var_x` and `var_y` are the variances.

    >>> np.round(tapered(np.array([[0.9, 0.05]]), np.ones(1), np.ones(2), 64), 3)
    array([[0.87 , 0.007]])
    """
    square = covariance**2
    chance = (square + np.outer(var_x, var_y)) / n_draw
    return np.asarray(covariance * np.where(square > 0.0, square / np.maximum(square + chance, 1e-300), 0.0))


def _perturbed(error_k2: FloatArray, predicted: FloatArray, seed: int) -> FloatArray:
    """Errors for every draw: mean zero, the covariance asked for, and no chance correlation with any prediction."""
    n_draw, n_reading = predicted.shape
    noise = np.random.default_rng([seed, n_reading]).normal(size=(n_draw, n_reading))
    noise -= noise.mean(axis=0)
    if n_draw > 4 * n_reading:
        noise -= predicted @ np.linalg.lstsq(predicted, noise, rcond=None)[0]
        noise = noise @ np.linalg.inv(np.linalg.cholesky(noise.T @ noise / (n_draw - 1))).T
    return np.asarray(noise @ np.linalg.cholesky(error_k2).T)


def _check(states: FloatArray, predicted: FloatArray, read: FloatArray, error: FloatArray) -> None:
    """Refuse what does not fit together."""
    n_draw, n_reading = len(states), len(read)
    if predicted.shape != (n_draw, n_reading) or error.shape != (n_reading, n_reading):
        message = (
            f"update: {n_draw} draws of states, predictions of shape {predicted.shape}, {n_reading} readings, errors "
            f"of shape {error.shape}; give predictions ({n_draw}, {n_reading}) and errors ({n_reading}, {n_reading})"
        )
        raise ThermalError(message)
    if n_draw < 8:
        message = f"update: {n_draw} draws; at least 8 are needed for a covariance"
        raise ThermalError(message)
    if not np.all(np.isfinite(error)) or np.any(np.linalg.eigvalsh(error) <= 0.0):
        message = "update: the error covariance is not positive definite; give every reading an independent error"
        raise ThermalError(message)
