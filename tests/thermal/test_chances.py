"""Chances with the model's error integrated, against scipy's normal and multivariate normal distributions."""

import numpy as np
import pytest
from scipy import stats

from thermal import chances, discrepancy
from thermal.chances import Margins, Search, about_k, corrected, each_leg, look_for, smaller
from thermal.error_path import NODES


def margins_k(left_k: np.ndarray, size_k: np.ndarray) -> np.ndarray:
    """Margins at every node of legs that keep so much, where the model is off by so much."""
    return left_k[..., None] - size_k[..., None] * NODES


def test_the_compiled_shares_have_the_same_numbers() -> None:
    assert (chances.CAR_SHARE, chances.DAY_SHARE) == (discrepancy.CAR_SHARE, discrepancy.DAY_SHARE)


@pytest.mark.parametrize("margin_k", [-30.0, -4.0, 0.0, 7.5, 60.0])
def test_one_leg_is_a_normal_tail(margin_k: float) -> None:
    left, size = np.array([[10.0], [-3.0], [40.0]]), np.array([[8.0], [5.0], [9.0]])
    found = smaller(margins_k(left, size), NODES, np.zeros(1, np.int64), margin_k)
    assert found == pytest.approx(stats.norm.sf((left - margin_k) / size)[:, 0], abs=4e-5)


@pytest.mark.parametrize("days", [(0, 0, 0), (0, 1, 2), (0, 0, 1), (0, 0, 1, 1, 2)])
def test_several_legs_are_a_multivariate_normal(days: tuple[int, ...]) -> None:
    """Legs of a day share what stays with car and day, legs of a trip what stays with the car."""
    day = np.array(days)
    alike = np.where(day[:, None] == day[None], discrepancy.CAR_SHARE + discrepancy.DAY_SHARE, discrepancy.CAR_SHARE)
    np.fill_diagonal(alike, 1.0)
    left, size = np.array([10.0, 6.0, 14.0, 8.0, 11.0])[: len(day)], np.array([8.0, 7.0, 9.0, 9.0, 6.0])[: len(day)]
    for margin_k in (-10.0, 0.0, 5.0):
        needed = (left - margin_k) / size
        none = stats.multivariate_normal(cov=alike, maxpts=10**6, abseps=1e-7).cdf(needed)
        found = smaller(margins_k(left, size)[None], NODES, day, margin_k)[0]
        assert found == pytest.approx(1.0 - none, abs=2e-4)


def test_a_leg_without_margins_counts_for_nothing() -> None:
    one = margins_k(np.array([[5.0]]), np.array([[8.0]]))
    two = np.concatenate((one, np.full_like(one, np.inf)), axis=1)
    day = np.zeros(2, np.int64)
    assert smaller(two, NODES, day, 0.0) == smaller(one, NODES, day[:1], 0.0)


def test_an_error_that_moves_the_peak_is_followed_between_nodes() -> None:
    # Two moments of a leg: the smaller of their margins, worked out at every node and once without nodes.
    left, size = np.array([12.0, 16.0]), np.array([6.0, 9.0])
    at_nodes = margins_k(left, size).min(axis=0)[None, None]
    error = np.random.default_rng(5).normal(size=400_000)
    truth = np.mean((left[:, None] - size[:, None] * error).min(axis=0) < 0.0)
    assert smaller(at_nodes, NODES, np.zeros(1, np.int64), 0.0)[0] == pytest.approx(truth, abs=0.002)


def test_a_rough_margin_leaves_its_share_of_the_draws_below() -> None:
    """One leg, no scatter but the model's own error: 10 % of a normal of 10 +- 8 K lies below its quantile."""
    were = margins_k(np.full((64, 1), 10.0), np.full((64, 1), 8.0))
    found = about_k(were, NODES, np.zeros(1, np.int64), 0.1, (-40.0, 40.0))
    assert found == pytest.approx(stats.norm(10.0, 8.0).ppf(0.1), abs=0.25)


def test_a_fit_is_corrected_by_what_was_driven() -> None:
    """In plain numpy: the mean of many, and how far driven draws lie from the fit, exact ones from guessed ones."""
    random, day = np.random.default_rng(3), np.array([0, 0, 1])
    were, like, many, exact = (
        margins_k(random.normal(10.0, 4.0, (n, legs)), np.full((n, legs), 6.0))
        for n, legs in ((50, 3), (50, 2), (200, 2), (20, 3))
    )
    driven, fitted, others, exactly = (
        smaller(one, NODES, of, 2.0) for one, of in ((were, day), (like, day[:2]), (many, day[:2]), (exact, day))
    )
    off = exactly - driven[:20]
    found = corrected(Margins(were, like, many, exact), NODES, day, day[:2], 2.0)
    chance = (driven - fitted).mean() + others.mean() + off.mean()
    assert (found.chance, found.rest, found.off) == pytest.approx(
        (chance, (driven - fitted).var(), off.var()), rel=1e-12
    )
    assert found.driven == pytest.approx(driven - fitted, abs=1e-15)
    plain = corrected(Margins(were, were[:0], were[:0], were[:0]), NODES, day, day[:0], 2.0)
    assert (plain.chance, plain.rest, plain.off) == pytest.approx((driven.mean(), driven.var(), 0.0), rel=1e-12)
    assert plain.driven == pytest.approx(driven, abs=1e-15)


def test_each_leg_has_the_chance_of_a_trip_of_that_leg_alone() -> None:
    random, day = np.random.default_rng(4), np.zeros(1, np.int64)
    were = margins_k(random.normal(10.0, 8.0, (50, 3)), np.full((50, 3), 6.0))
    alone = [smaller(were[:, i : i + 1], NODES, day, 2.0).mean() for i in range(3)]
    assert each_leg(were, NODES, 2.0) == pytest.approx(alone, abs=1e-5)  # errors beyond four deviations are left out


def test_the_margin_looked_for_has_the_chance_asked_for() -> None:
    """A root of the corrected chance, checked by that chance on both sides of it."""
    random, day = np.random.default_rng(5), np.zeros(2, np.int64)
    were, like, many, exact = (
        margins_k(random.normal(10.0, 4.0, (n, 2)), np.full((n, 2), 6.0)) for n in (60, 60, 300, 20)
    )
    margins, share = Margins(were, like, many, exact), 0.1
    search = Search(rough=64, step_k=0.5, sure_k=1e-3, astray_k=4.0, most_steps=12.0)
    margin, density, found = look_for(margins, NODES, day, day, share, 3.0, search)
    below, above = (corrected(margins, NODES, day, day, margin + by).chance for by in (-0.5, 0.5))
    assert found.chance == pytest.approx(share, abs=1e-3 * density)  # a thousandth of a kelvin
    assert density == pytest.approx(above - below, rel=0.05)
    again = corrected(margins, NODES, day, day, margin)
    assert (found.chance, found.rest, found.off) == (again.chance, again.rest, again.off)
    assert np.array_equal(found.driven, again.driven)
