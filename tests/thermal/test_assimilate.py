"""The ensemble update: against the closed form, its coverage, and what it must leave alone."""

import numpy as np
import pytest

from thermal.assimilate import BEYOND_SD, update
from thermal.errors import ThermalError


def _kalman(mean, cov, rows, read, error):
    """Closed form for a normal prior: Gelb, Applied Optimal Estimation, 1974, eq. 4.2-15 to 17 (from memory)."""
    h = np.eye(len(mean))[rows]
    gain = cov @ h.T @ np.linalg.inv(h @ cov @ h.T + error)
    return mean + gain @ (read - h @ mean), cov - gain @ h @ cov


def test_agrees_with_the_closed_form():
    rng = np.random.default_rng(1)
    root = rng.normal(size=(4, 4))
    mean, cov = np.array([350.0, 370.0, 360.0, 0.0]), root @ root.T * 20.0 + np.eye(4)
    draws = rng.multivariate_normal(mean, cov, 20_000)
    error, read = np.diag([4.0, 9.0]), np.array([355.0, 366.0])
    after = update(draws, draws[:, :2], read, error).states
    want_mean, want_cov = _kalman(mean, cov, [0, 1], read, error)
    assert np.allclose(after.mean(axis=0), want_mean, atol=0.3)
    assert np.allclose(np.cov(after.T), want_cov, rtol=0.05, atol=0.6)


@pytest.mark.parametrize("n_reading", [1, 8, 30])
def test_64_draws_keep_their_coverage(n_reading):
    """Truth from outside the draws, 300 trials: 90 % intervals must hold it as often as they say."""
    rng = np.random.default_rng(n_reading)
    held, kept = [], []
    for _ in range(300):
        bears = rng.normal(size=(3, n_reading))
        truth, draws = rng.normal(size=4), rng.normal(size=(64, 4))
        read = truth[:3] @ bears + rng.normal(0.0, 1.0, n_reading)
        after = update(draws, draws[:, :3] @ bears, read, np.eye(n_reading)).states
        low, high = np.quantile(after, (0.05, 0.95), axis=0)
        held.append((low <= truth) & (truth <= high))
        kept.append(after[:, 3].std() / draws[:, 3].std())
    assert 0.82 <= np.mean(np.array(held)[:, :3]) <= 0.95
    assert np.mean(kept) > 0.9  # nothing read bears on the fourth


def test_a_reading_no_draw_can_give_is_told_and_not_believed():
    draws = np.random.default_rng(3).normal(360.0, 10.0, (256, 2))
    told = update(draws, draws, np.array([358.0, 450.0]), np.diag([9.0, 9.0]))
    assert told.believed.tolist() == [True, False]
    assert told.surprise[1] > BEYOND_SD
    assert abs(told.states[:, 1].mean() - 360.0) < 3.0


def test_the_same_readings_give_the_same_draws():
    draws = np.random.default_rng(4).normal(360.0, 10.0, (64, 2))
    one, two = (update(draws, draws, np.array([350.0, 365.0]), np.eye(2)).states for _ in range(2))
    assert np.array_equal(one, two)


@pytest.mark.parametrize(
    ("predicted", "error", "says"),
    [((64, 2), np.eye(1), "shape"), ((64, 1), np.zeros((1, 1)), "positive definite")],
)
def test_what_does_not_fit_is_refused(predicted, error, says):
    with pytest.raises(ThermalError, match=says):
        update(np.zeros((64, 3)), np.zeros(predicted), np.zeros(1), error)
