"""Sobol points, held against those of scipy.stats.qmc (Owen-style scrambling; Joe and Kuo's direction numbers)."""

import numpy as np
import pytest
from scipy.stats import norm, qmc

from thermal import sobol


@pytest.mark.parametrize(("n", "dimensions", "seed"), [(32, 31, 20270706), (256, 5, (7, 4)), (1024, 60, 3), (1, 2, 1)])
def test_points_are_those_of_scipy(n, dimensions, seed):
    theirs = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed)).random(n)
    assert np.array_equal(sobol.sobol(n, dimensions, seed), theirs)


def test_a_count_that_is_no_power_of_two_is_the_beginning_of_one():
    assert np.array_equal(sobol.sobol(21, 4, 5), sobol.sobol(32, 4, 5)[:21])


def test_without_the_table_scipy_is_asked(monkeypatch):
    ours = sobol.sobol(64, 6, 11)
    monkeypatch.setattr(sobol, "_vectors", lambda _: None)
    assert np.array_equal(sobol.sobol(64, 6, 11), ours)


def test_a_table_that_cannot_be_read_is_none(monkeypatch, tmp_path):
    class Package:
        submodule_search_locations = (str(tmp_path),)

    monkeypatch.setattr(sobol, "find_spec", lambda _: Package)
    assert sobol._vectors.__wrapped__(3) is None
    (tmp_path / "stats").mkdir()
    (tmp_path / "stats" / "_sobol_direction_numbers.npz").write_bytes(b"nothing")
    assert sobol._vectors.__wrapped__(3) is None


def test_normal_coordinates_follow_the_normal_distribution():
    # Quantiles of the normal distribution, scipy.stats.norm; 1,024 balanced points lie within 0.01 of them.
    z = sobol.normal(1024, 3, 2)
    for p in (0.05, 0.5, 0.9):
        assert np.quantile(z, p, axis=0) == pytest.approx(norm.ppf(p), abs=0.01)


def test_quantiles_are_those_of_scipy():
    share = np.concatenate((np.geomspace(1e-6, 0.5, 500), 1.0 - np.geomspace(1e-6, 0.5, 500)))
    assert sobol._quantile(share) == pytest.approx(norm.ppf(share), rel=1e-14, abs=1e-15)
