"""The upper temperature along the way agrees with the margin of its leg: one figure, wherever it is shown."""

import numpy as np
import pytest
from scipy.signal import lfilter

from planner.analysis.margins import columns_of
from planner.forecast.upper import along_legs
from thermal.fluids import FLUID_NODES, N_BODY, N_FLUID


def test_no_leg_has_two_figures(minimal, big):
    for report in (minimal, big):
        outlook, drive = report.outlook, report.outlook.timeline.drive
        for margin in report.margins:
            rows = drive.group == margin.leg
            fluid = columns_of(outlook)[[m.fluid for m in report.margins if m.leg == margin.leg].index(margin.fluid)]
            left = outlook.nominal.limit_k[rows, fluid] - outlook.band_k[rows, FLUID_NODES[fluid]]
            assert left.min() == pytest.approx(margin.margin_k, abs=0.2)


def test_it_comes_as_near_the_limit_as_one_in_ten_does():
    # Temperatures that wander about a mean as an AR(1) process, made by a reference library (scipy.signal.lfilter):
    # the quantile of each moment is passed somewhere on the leg by most, the upper temperature by fewer.
    rng, n, draws = np.random.default_rng(3), 400, 4000
    phi = np.exp(-1.0 / 20.0)
    noise = rng.normal(size=(draws, n + 200)) * np.sqrt(1.0 - phi**2)
    error = 5.0 * lfilter([1.0], [1.0, -phi], noise, axis=1)[:, 200:]
    expected = 360.0 + 8.0 * np.sin(np.linspace(0.0, 6.0, n))
    temps, limit = expected + error, np.full((n, N_FLUID), 393.15)
    moment = np.repeat(np.quantile(temps, 0.9, axis=0)[:, None], N_BODY, axis=1)
    margin = np.full((1, N_FLUID), np.quantile((393.15 - temps).min(axis=1), 0.1))
    nominal, one_leg = np.repeat(expected[:, None], N_BODY, axis=1), np.zeros(n, dtype=np.int64)
    upper = along_legs(moment, nominal, limit_k=limit, group=one_leg, margin_k=margin)[:, FLUID_NODES[0]]
    assert np.mean((temps > moment[:, 0]).any(axis=1)) > 0.5
    assert 393.15 - upper.max() == pytest.approx(margin[0, 0], abs=1e-9)
    assert np.all(upper >= moment[:, 0] - 1e-12)
    assert np.mean((temps > upper).any(axis=1)) < 0.6 * np.mean((temps > moment[:, 0]).any(axis=1))
    assert np.mean((temps > upper).mean(axis=0)) < 0.1
