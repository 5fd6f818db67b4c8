"""What keeps "nothing unusual" from being all that is said: readings beyond their interval, a fan that may not turn."""

import numpy as np
import pytest
from cars import read_class
from other_car import draw_car
from other_logs import Day, make_log

from thermal import causes
from thermal.beyond import Beyond, beyond_in, with_beyond
from thermal.fluids import N_BODY
from thermal.log_drive import Readings
from thermal.verdict import Verdict, alike

MINUTES = 60.0 * np.arange(61.0)
BAND = np.stack((np.full((61, N_BODY), 350.0), np.full((61, N_BODY), 360.0)))  # 10 K wide: 3 K beyond counts


def coolant(off_k: np.ndarray) -> Readings:
    """Readings of the coolant alone, so far from the middle of its interval."""
    temp_k = np.full((61, N_BODY), np.nan)
    temp_k[:, 1] = 355.0 + off_k
    return Readings(time_s=MINUTES, temp_k=temp_k, start_k=np.full(N_BODY, 300.0))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_fluid_that_stays_beyond_is_told_with_side_and_time(sign: float) -> None:
    """8.5 K off is 3.5 beyond the end: from minute 20 to minute 30, and 12 beyond in the midst of it."""
    off = np.where((MINUTES >= 1200.0) & (MINUTES <= 1800.0), 8.5, 2.0)
    off[25] = 17.0
    (one,) = beyond_in(coolant(sign * off), BAND)
    assert one == Beyond(1, sign * 12.0, 600.0)


@pytest.mark.parametrize(
    ("off_k", "minutes"),
    [pytest.param(7.5, 40, id="2.5 K beyond"), pytest.param(20.0, 6, id="5 min from first to last")],
)
def test_what_is_near_or_short_is_not(off_k: float, minutes: int) -> None:
    assert beyond_in(coolant(np.where(np.arange(61) < minutes, off_k, 0.0)), BAND) == ()


def test_a_wide_interval_asks_for_more() -> None:
    wide = BAND + np.array([-10.0, 10.0])[:, None, None]  # 30 K: 9 K beyond counts
    assert beyond_in(coolant(np.full(61, 23.0)), wide) == ()
    assert beyond_in(coolant(np.full(61, 25.0)), wide) == (Beyond(1, 10.0, 3600.0),)


def found(name: str, probability: float, coolant_k: float = 0.0) -> Verdict:
    moved = (0.0, coolant_k, 0.0, 0.0, 0.0, 0.0) if coolant_k else ()
    return Verdict(name=name, words=name, probability=probability, value=1.0, rmse_k=1.0, change_k=moved)


def test_nothing_unusual_is_not_the_sole_answer_beside_a_fluid_beyond_its_interval() -> None:
    """Above it stand the likeliest that heat the coolant, none that cools it, however likely."""
    seen = (
        found("usual", 0.92),
        found("thermostat_open", 0.05, -20.0),
        found("fan", 0.02, 9.0),
        found("unexplained_2", 0.005),
        found("flow", 0.004, 7.0),
        found("unexplained_1", 0.001),
    )
    assert [v.name for v in alike(seen)] == ["usual"]
    assert [v.name for v in alike(with_beyond(seen, [Beyond(1, 12.0, 1200.0)]))] == ["usual", "fan"]
    assert [v.name for v in alike(with_beyond(seen, [Beyond(1, -12.0, 1200.0)]))] == ["usual", "thermostat_open"]
    assert [v.name for v in alike(with_beyond((seen[0], seen[-1]), [Beyond(1, 5.0, 600.0)]))] == [
        "usual",
        "unexplained_1",
    ]
    assert with_beyond(seen, ()) == seen


def test_a_dead_fan_that_looks_like_one_that_slips_is_not_ruled_out() -> None:
    """On a car of another build a fan matters less than the model has it; on the same day with a sound one it shows."""
    vehicle, unseen = read_class("estate-1990s-six").vehicle, []
    for fault in ("", "fan_dead"):
        day = Day(road="jam", hours=1.2, air_c=32.0, ac=True, fault=fault)
        log = make_log(draw_car(vehicle, 3), day, 7)
        found = causes.judge(vehicle, log.drive, log.readings.every(60.0))
        assert found[0].name == causes.USUAL
        unseen.append("fan" in found[0].unseen)
    assert unseen == [False, True]
