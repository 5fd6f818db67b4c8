"""The forecast's own arithmetic."""

import numpy as np
import pytest

from planner.forecast.run import _quantile


@pytest.mark.parametrize("share", [0.5, 0.8, 0.9, 0.99, 1.0])
@pytest.mark.parametrize("draws", [1, 2, 255, 256])
def test_upper_temperatures_are_the_quantiles_that_numpy_finds_to_the_last_digit(draws: int, share: float) -> None:
    temps = np.random.default_rng(draws).normal(360.0, 9.0, (draws, 40)).astype(np.float32)
    temps[:, 7] = temps[0, 7]  # all alike
    found = _quantile(temps, share)
    assert found.dtype == np.float32
    assert found.tolist() == np.quantile(temps, share, axis=0).tolist()


def test_a_draw_that_is_not_a_number_is_not_passed_over() -> None:
    temps = np.full((256, 2), 360.0, dtype=np.float32)
    temps[3, 1] = np.nan
    assert np.isnan(_quantile(temps, 0.9)).tolist() == [False, True]
