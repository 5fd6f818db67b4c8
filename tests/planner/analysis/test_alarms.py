"""Alarm cards: bands in order, and pressures that follow viscosity, the owner's reading and the relief valve."""

from dataclasses import replace

import numpy as np
import pytest
from other_car import wander

from planner.analysis import alarm_marks
from planner.analysis.alarm_marks import SETTLED_S, settled
from planner.analysis.alarms import Reading, alarm_cards, drop_band_pa, pressure_band_pa, trip_card
from planner.forecast.run import Forecast
from planner.output.alarms import alarm_rows


@pytest.fixture
def outlook(minimal) -> Forecast:
    return minimal.outlook


def test_alarms_are_in_order_on_every_card(outlook: Forecast) -> None:
    cards = alarm_cards(outlook)
    assert [card.leg for card in cards] == [0, None]
    for card in cards:
        for one in card.fluids:
            assert one.marks.low_k <= one.marks.band_k[0] <= one.marks.band_k[1]
            assert one.marks.caution_k < one.limit_k
        assert card.idle_least_pa <= card.idle_pa[0] < card.idle_pa[1]
        assert card.idle_least_pa < card.cruise_least_pa <= card.cruise_pa[0] < card.cruise_pa[1]
        rows = alarm_rows(outlook, card)
        assert all(len(row) == 6 for row in rows)


def test_without_a_reading_the_rule_of_thumb_is_the_least_and_never_less(outlook: Forecast) -> None:
    """At least 10 psi per 1000 rpm, common practice, no source; hot oil does not lower what an engine needs."""
    psi_pa, rpm = 6894.757, np.pi / 30.0
    for oil_k in ((373.15, 373.15), (373.15, 423.15)):
        low, high = pressure_band_pa(outlook, None, None, oil_k=oil_k, engine_rad_per_s=2500.0 * rpm)
        assert low == pytest.approx(25.0 * psi_pa, rel=0.02)
        assert high > low
    cruise = trip_card(outlook)
    assert cruise.cruise_least_pa > 10.0 * psi_pa


def test_oil_twice_as_thin_has_half_the_pressure(outlook: Forecast) -> None:
    """15W-40 from 100 to 130 degC: 14.6 / 7.87 = 1.855 in viscosity (Walther, computed by hand), 1.9 with density."""
    oil = replace(outlook.car.vehicle.engine_oil, viscosity_40c_m2_per_s=108e-6, viscosity_100c_m2_per_s=14.6e-6)
    held = replace(outlook, car=replace(outlook.car, vehicle=replace(outlook.car.vehicle, engine_oil=oil)))
    own = Reading(2.0e5, 373.15, 200.0)
    one, two = (pressure_band_pa(held, own, None, oil_k=(t, t), engine_rad_per_s=200.0)[0] for t in (373.15, 403.15))
    assert one == pytest.approx(0.85 * 2.0e5)
    assert one / two == pytest.approx(1.855 * 835.0 / 812.5, rel=0.005)


def test_the_owners_reading_counts_and_the_relief_valve_caps(outlook: Forecast) -> None:
    own = Reading(3.0e5, 363.15, 300.0)
    same = pressure_band_pa(outlook, own, None, oil_k=(363.15, 363.15), engine_rad_per_s=300.0)
    assert same == (pytest.approx(0.85 * 3.0e5), pytest.approx(1.15 * 3.0e5))
    fast = pressure_band_pa(outlook, own, None, oil_k=(300.0, 300.0), engine_rad_per_s=500.0)
    assert fast[1] == pytest.approx(1.15 * 4.5e5)


def test_cooler_drop_lies_between_laminar_and_turbulent(outlook: Forecast) -> None:
    """Blasius: twice the flow is 2^1.75 = 3.36 times the drop turbulent, twice laminar."""
    own = Reading(0.4e5, 373.15, 300.0)
    low, high = drop_band_pa(outlook, own, oil_k=(373.15, 373.15), engine_rad_per_s=600.0)
    assert low == pytest.approx(0.85 * 2.0 * 0.4e5)
    assert high == pytest.approx(1.15 * 2.0**1.75 * 0.4e5)


# --- marks ------------------------------------------------------------------------------------------------------------


def _readings(n_draw: int, hours: float, *, sd_k: float, seed: int = 1) -> alarm_marks.Series:
    """A fluid at 360 K that wanders, a value a minute, with a limit at 390 K."""
    n = round(hours * 60.0)
    rng = np.random.default_rng(seed)
    temps = np.array([360.0 + wander(n, sd_k, 10.0, rng) for _ in range(n_draw)])
    return alarm_marks.Series(temps, np.full(n, 60.0), np.full(n, 390.0), np.arange(n) > 30)


def test_a_band_holds_nine_tenths_and_a_caution_rings_once_in_twenty_hours_on_other_days() -> None:
    """Marks placed by 64 draws of 20 h, tried on 64 others: nine tenths within 2 %, its false alarms few."""
    marks = alarm_marks.marks(_readings(64, 20.0, sd_k=3.0), warm_k=330.0, caution_k=385.0, thin_k=5.0)
    fresh = _readings(64, 20.0, sd_k=3.0, seed=2).temps_k
    inside = np.mean((fresh >= marks.band_k[0]) & (fresh <= marks.band_k[1]))
    assert inside == pytest.approx(0.9, abs=0.02)
    assert marks.nuisance_per_h <= 1.0 / 20.0
    assert marks.band_k[1] < marks.caution_k < 385.0
    over = fresh >= marks.caution_k
    rung = np.sum(over[:, 1:] & ~over[:, :-1])
    assert rung / (64 * 20.0) < 0.2  # without the two kelvins to fall before it rings again
    assert marks.lead_s > 0.0
    assert marks.low_k < marks.band_k[0]


def test_a_cold_start_after_a_night_is_no_low_reading(alps) -> None:
    # By hand: every day starts cold, so its first half hour of driving tells nothing of a thermostat stuck open.
    outlook = alps.outlook
    line = outlook.timeline
    late, days = settled(line.drive), line.drive.day
    assert days[-1] > days[0]
    for day in np.unique(days):
        today = np.flatnonzero((days == day) & (line.drive.speed_m_per_s > 0.0))
        driven_s = np.cumsum(line.drive.duration_s[today])
        assert not late[today[driven_s <= SETTLED_S]].any()
        assert late[today[-1]]
    coolant = trip_card(outlook).fluids[0]
    assert coolant.marks.low_k > coolant.warm_k - 15.0
