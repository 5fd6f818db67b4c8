"""What the review says first, and when it says that it does not know; pressures that fall by themselves.

Expected sentences follow from the readings by hand; the rule for oil pressure is common practice, no source.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cars import read_class

from planner.files.logs import Series
from planner.logs import leaps, pressures, verdict
from planner.model.display import METRIC, US
from thermal.causes import Verdict
from thermal.drive import steady_drive
from thermal.fluids import N_BODY
from thermal.log_drive import Readings
from thermal.vehicle import Vehicle

RPM = 2.0 * np.pi / 60.0


@pytest.fixture(scope="module")
def estate() -> Vehicle:
    return read_class("estate-1990s-six").vehicle


def driven(coolant_k: np.ndarray, channels: dict | None = None) -> SimpleNamespace:
    """A log of an hour at sea level, a coolant reading every half minute."""
    temp = np.full((len(coolant_k), N_BODY), np.nan)
    temp[:, 1] = coolant_k
    time_s = 30.0 * np.arange(len(coolant_k))
    return SimpleNamespace(
        drive=steady_drive(minutes=60.0, speed_m_per_s=20.0, grade=0.0, air_k=300.0),
        readings=Readings(time_s=time_s, temp_k=temp, start_k=np.full(N_BODY, 300.0)),
        fluids=("coolant",),
        log=SimpleNamespace(channels=channels or {}),
    )


def test_a_limit_passed_is_told_first_and_for_how_long(estate: Vehicle) -> None:
    """Ten readings in a row, half a minute each, above the limit: five minutes."""
    limit = estate.coolant_limit.limit_k
    coolant = np.full(118, limit - 20.0)
    coolant[60:70] = limit + 2.0
    told = verdict.passed_words(estate, driven(coolant), US)
    assert told[0].startswith("LIMIT PASSED: coolant read")
    assert "above it: 5 min" in told[0]
    assert verdict.passed_words(estate, driven(np.full(118, limit - 40.0)), US) == ()
    near = np.full(118, estate.coolant_limit.caution_k + 1.0)
    assert verdict.passed_words(estate, driven(near), US)[0].startswith("Caution passed: coolant")


def test_a_leap_is_told_with_its_minute_and_what_to_look_at() -> None:
    """12 K, 21.6 °F, at 1200 s of the drive; the log begins 100 s before it moves."""
    time_s = np.arange(100.0, 1900.0)
    read = np.round(360.0 + 2.0 * np.sin(time_s / 90.0)) + np.where(time_s < 1300.0, 0.0, 12.0)
    channels = {
        "speed": Series(time_s=time_s, value=np.full(len(time_s), 20.0)),
        "coolant": Series(time_s=time_s, value=read),
    }
    found = leaps.leaps_of(driven(np.full(60, 360.0), channels))
    told = leaps.leap_words(found, US)
    assert told == (
        "The coolant reading leaps from one reading to the next: +22 °F at minute 20. No fluid can: look at the "
        "sender, its wire, its plug and its ground.",
    )
    assert leaps.leap_words((), US) == ()


def said(*parts: tuple[str, float], passed: bool = False) -> str:
    found = tuple(Verdict(name=name, words=f"cause {name}", probability=p, value=0.7, rmse_k=1.0) for name, p in parts)
    return verdict.verdict_words(found, passed=passed)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ((("airflow", 0.9999),), "odds above 20 to 1"),  # none that nobody counted
        ((("airflow", 0.95),), "odds 19 to 1"),
        ((("oil_heat", 0.45), ("usual", 0.5)), "Cannot tell:"),  # no accusation on a likelihood
        ((("airflow", 0.25), ("radiator", 0.24), ("usual", 0.51)), "Cannot tell:"),
        ((("oil_heat", 0.55), ("usual", 0.4)), "It is more likely the car than not: cause oil_heat"),
        ((("oil_heat", 0.7), ("usual", 0.2)), "It is probably the car: cause oil_heat"),
        (
            (("airflow", 0.35), ("radiator", 0.35), ("usual", 0.2)),
            "It is probably the car: the cooling system",
        ),  # kin count together
        ((("oil_heat", 0.85), ("usual", 0.12)), "It is the car: cause oil_heat"),
        ((("usual", 0.55), ("oil_heat", 0.2)), "Cannot tell:"),  # nor calm on one: it had 0.6 before
        ((("usual", 0.8), ("oil_heat", 0.2)), "Nothing unusual found"),
        ((("unexplained_1", 0.9), ("usual", 0.05)), "Something that no cause tried here explains"),
        ((("airflow", 0.5), ("radiator", 0.4)), "It is the car: the cooling system passes less heat"),  # kin
        ((("airflow", 0.85), ("radiator", 0.08)), "or cause radiator"),  # at odds below 20 neither is named alone
        ((("airflow", 0.96), ("radiator", 0.02)), "It is the car: cause airflow"),
    ],
)
def test_a_verdict_says_no_more_than_is_known(parts: tuple[tuple[str, float], ...], words: str) -> None:
    assert words in said(*parts)


def test_it_does_not_calm_after_a_limit() -> None:
    assert "That makes them no safer" in said(("usual", 0.95), passed=True)


def test_what_a_calm_log_could_not_have_told_is_said_and_a_whole_family_by_one_name() -> None:
    one = Verdict(
        name="usual", words="nothing", probability=0.95, value=0.0, rmse_k=1.0, unseen=("axle_heat", "axle_loss", "fan")
    )
    told = verdict.verdict_words((one,))
    assert "detected: the differential runs hotter; the fan does not turn, or slips." in told  # cooling air would show
    assert "could not have detected" not in verdict.verdict_words((replace(one, unseen=()),))


def test_when_a_cause_began_and_on_which_grade() -> None:
    drive = steady_drive(minutes=60.0, speed_m_per_s=20.0, grade=0.05, air_k=300.0)
    one = Verdict(name="airflow", words="less air", probability=0.95, value=0.5, rmse_k=1.0, onset_s=1800.0)
    assert "from about minute 30 on a climb of 5%" in verdict.verdict_words((one,), drive, METRIC)


# --- pressures --------------------------------------------------------------------------------------------------------


TIME_S = np.arange(0.0, 3600.0, 5.0)
REVS = 2250.0 + 750.0 * np.sin(TIME_S / 90.0)


def pressure_log(*, later: float = 1.0, oil_k: float = 373.15, drop: np.ndarray | None = None) -> SimpleNamespace:
    """An hour of rpm between 1,500 and 3,000, pressure below the relief valve and after 50 min this share of it."""
    pressure = 2.5e5 * REVS / 2250.0 * np.where(TIME_S > 3000.0, later, 1.0)
    channels = {"oil_pressure": pressure, "rpm": REVS * RPM, "engine_oil": np.full(len(TIME_S), oil_k)}
    if drop is not None:
        channels["cooler_drop"] = drop
    held = {name: Series(time_s=TIME_S, value=value) for name, value in channels.items()}
    return driven(np.full(118, 360.0), held)


def test_a_pressure_that_falls_by_itself_is_told(estate: Vehicle) -> None:
    assert pressures.pressure_words(estate, pressure_log()) == ()
    told = pressures.pressure_words(estate, pressure_log(later=0.55))
    assert any("Oil pressure fell to 5" in text or "LOW OIL PRESSURE" in text for text in told)
    assert pressures.pressure_words(estate, pressure_log(later=0.1))[0].startswith("LOW OIL PRESSURE")


def test_the_cooler_is_judged_only_with_its_thermostat_open(estate: Vehicle) -> None:
    """The same drop that vanishes: a burst line with hot oil, nothing to say while the cooler's thermostat is shut."""
    drop = 3e4 * (REVS * RPM / 235.0) ** 1.4 * np.where(TIME_S > 2500.0, 0.2, 1.0)
    oil_k = max(estate.oil_cooler.full_k + 5.0, 373.15)
    for temp_k, told in ((oil_k, True), (estate.oil_cooler.open_k - 5.0, False)):
        said = pressures.pressure_words(estate, pressure_log(oil_k=temp_k, drop=drop))
        assert any("burst line" in text for text in said) == told


@pytest.mark.parametrize(
    ("flow_k", "unseen", "words"),
    [
        (3.0, (), "+3 there: too little to detect"),
        (10.0, ("airflow",), "+10 there; the rest of the log does not rule it out."),
        (10.0, ("flow",), "+10 there, and is not what the log looks like."),
    ],
)
def test_less_air_is_ruled_out_only_where_it_would_have_shown(flow_k: float, unseen: tuple[str, ...], words: str):
    usual = Verdict(name="usual", words="", probability=0.95, value=0.0, rmse_k=1.0, unseen=unseen)
    assert words in verdict._less_air_words(flow_k, (usual,), METRIC)
