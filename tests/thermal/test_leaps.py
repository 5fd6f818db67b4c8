"""A gauge that leaps is told from what a fluid, a logger or a loose wire do; sizes follow from the readings by hand."""

import numpy as np
import pytest

from thermal.leaps import Leap, leaps_in

SECONDS = np.arange(0.0, 1800.0)
WARM = np.round(360.0 + 2.0 * np.sin(SECONDS / 90.0))


@pytest.mark.parametrize("every", [1, 2, 5])
@pytest.mark.parametrize("change_k", [12.0, -12.0])
def test_a_leap_is_found_to_the_second(every: int, change_k: float) -> None:
    read = WARM + np.where(SECONDS < 900.0, 0.0, change_k)
    assert leaps_in(1, SECONDS[::every], read[::every]) == (Leap(1, 900.0, change_k),)


def test_a_loose_wire_leaps_there_and_back() -> None:
    read = WARM + np.where((SECONDS >= 600.0) & (SECONDS < 900.0), 15.0, 0.0)
    assert [leap.time_s for leap in leaps_in(1, SECONDS, read)] == [600.0, 900.0]


@pytest.mark.parametrize(
    "what",
    [
        pytest.param(np.where(SECONDS < 900.0, 0.0, 5.0), id="too small"),
        pytest.param(np.where(SECONDS == 900.0, 40.0, 0.0), id="one wrong reading"),
        pytest.param(-15.0 * np.exp(-np.abs(SECONDS - 900.0) / 12.0), id="cold coolant passes the sender"),
        pytest.param(
            np.where(SECONDS < 900.0, 0.0, 25.0 * (1.0 - np.exp(-(SECONDS - 900.0) / 8.0))), id="a quick sender"
        ),
        pytest.param(np.clip(0.5 * (SECONDS - 900.0), 0.0, 20.0), id="a thermostat that shuts"),
    ],
)
def test_what_a_fluid_or_a_logger_does_is_no_leap(what: np.ndarray) -> None:
    assert leaps_in(1, SECONDS, np.round(WARM + what)) == ()


def test_a_log_that_is_written_or_asked_too_seldom_tells_no_leap() -> None:
    rising = 300.0 + 0.25 * SECONDS
    assert leaps_in(1, SECONDS[::30], rising[::30] + np.where(SECONDS[::30] < 900.0, 0.0, 30.0)) == ()
    asked = rising[(SECONDS // 60.0 * 60.0).astype(int)]  # steps of 15 K, a minute apart
    assert leaps_in(1, SECONDS, asked) == ()


def test_an_engine_that_was_off_meanwhile_has_cooled() -> None:
    gap = np.concatenate((SECONDS[:900], SECONDS[900:] + 1200.0))
    assert leaps_in(1, gap, WARM - np.where(gap < 1000.0, 0.0, 15.0)) == ()
