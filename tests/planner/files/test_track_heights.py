"""Heights that a recorder writes before it knows its height, and roads that lie at the sea."""

import numpy as np
import pytest

from planner.files.track_heights import usable

ALONG_M = np.arange(0.0, 10_001.0, 25.0)
HEIGHT_M = 500.0 + 0.05 * ALONG_M


@pytest.mark.parametrize("rows", [slice(0, 30), slice(200, 230), slice(370, 401)])
def test_zeros_of_a_recorder_that_does_not_know_its_height_are_no_heights(rows: slice) -> None:
    heights = HEIGHT_M.copy()
    heights[rows] = 0.0
    good, notes = usable(heights, ALONG_M, spacing_m=25.0)
    assert np.array_equal(good, heights > 0.0)
    assert notes == (f"{np.sum(~good)} impossible elevations ignored",)


def test_a_road_at_sea_level_keeps_its_zeros() -> None:
    good, notes = usable(np.maximum(0.0, np.round(0.02 * (ALONG_M - 4000.0))), ALONG_M, spacing_m=25.0)
    assert good.all()
    assert notes == ()
