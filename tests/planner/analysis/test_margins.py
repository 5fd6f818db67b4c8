"""Margins follow from the temperatures they are made of; thin ones lie where a mountain road is known to be steep."""

from dataclasses import replace

import numpy as np
import pytest
from cars import with_part
from CoolProp.CoolProp import PropsSI
from rules import with_trip

from planner.analysis.margins import columns_of, find_margins, fluids_of, gravest, worst_of
from planner.forecast.run import kept_at
from planner.model.levels import level_of, severity
from planner.output.report import sentence
from thermal.fluids import FLUID_KEYS, fluid_of
from thermal.simulate import limits_k

FIVE_MILES_M = 8046.7
# Steepest published grade of the climb to a pass, and where it was read.
PUBLISHED_GRADE = {
    "la-veta-pass": (0.06, "US 160; from memory"),
    "wolf-creek-pass": (0.068, "encyclopaedia's page on Wolf Creek Pass, excerpt"),
    "coal-bank-pass": (0.065, "dangerousroads.org Coal Bank Pass, excerpt; a table of Colorado's passes agrees"),
    "molas-pass": (0.070, "table of Colorado's passes, excerpt"),
    "red-mountain-pass": (0.072, "table of Colorado's passes, excerpt"),
    "teton-pass": (0.10, "liquisearch.com Teton Pass, excerpt"),
    "newfound-gap": (0.07, "from memory"),
    "raton-pass": (0.06, "dangerousroads.org Raton Pass, excerpt"),
    "pine-creek-pass": (0.06, "from memory"),
}


@pytest.fixture(params=["minimal", "alps", "big"])
def report(request):
    return request.getfixturevalue(request.param)


# --- levels ---


@pytest.mark.parametrize(
    ("margin_k", "level"),
    [(-5.0, "exceeded"), (-1e-9, "exceeded"), (0.0, "thin"), (7.999, "thin"), (8.0, "ample"), (80.0, "ample")],
)
def test_levels(margin_k, level):
    assert level_of(margin_k, 8.0) == level


def test_a_wider_band_calls_more_legs_thin(big):
    # Same temperatures, another word for them.
    counts = []
    for band_k in (1.0, 8.0, 20.0):
        margins = find_margins(with_trip(big.outlook, thin_band_k=band_k))
        assert [m.margin_k for m in margins] == [m.margin_k for m in big.margins]
        counts.append(sum(m.level in ("thin", "exceeded") for m in margins))
    assert counts == sorted(set(counts))


# --- from temperatures ---


def test_every_leg_has_a_margin_for_every_fluid(report):
    legs = range(len(report.outlook.legs))
    assert [(m.leg, m.fluid) for m in report.margins] == [(n, f) for n in legs for f in fluids_of(report.outlook)]


def test_margins_are_the_least_of_limit_less_temperature(report):
    """And the peak is where and when it is said to be."""
    outlook, line = report.outlook, report.outlook.timeline
    temps, limit = outlook.nominal.temps_k[0], outlook.nominal.limit_k
    for margin in report.margins:
        fluid, leg = fluid_of(margin.fluid), outlook.legs[margin.leg]
        part = line.drive.group == margin.leg
        assert margin.nominal_margin_k == pytest.approx((limit[:, fluid.index] - temps[:, fluid.node])[part].min())
        assert margin.limit_k - margin.peak_k == pytest.approx(margin.nominal_margin_k, abs=1e-9)
        near = part & (np.abs(line.end_s - margin.when.timestamp()) < 1.0)
        assert np.any(np.isclose(temps[near, fluid.node], margin.peak_k, atol=1e-9))
        assert np.any(np.isclose(line.end_m[near], margin.distance_m))
        assert margin.parked == bool(np.all(line.drive.speed_m_per_s[near] == 0.0))
        assert margin.near in {outlook.trip.places[leg.start].name, outlook.trip.places[leg.finish].name}


def test_margins_at_confidence_and_chances_come_from_the_draws(report):
    # The draws with the model's error drawn too, 256 or more of them, know a share to three times sqrt(p (1 - p) / n).
    outlook = report.outlook
    for margin in report.margins:
        draws = outlook.spread.margin_k[:, margin.leg, fluid_of(margin.fluid).index]
        assert margin.margin_k <= margin.nominal_margin_k
        for value, chance in ((0.0, margin.probability), (margin.margin_k, 1.0 - outlook.trip.confidence)):
            if value < margin.nominal_margin_k:
                sure = np.sqrt(max(chance * (1.0 - chance), 1.0 / len(draws)) / len(draws))
                assert np.mean(draws < value) == pytest.approx(chance, abs=4.0 * sure)


def test_a_level_is_that_of_the_margin_less_its_error(report):
    band = report.outlook.trip.thin_band_k
    for margin in report.margins:
        assert margin.error_k >= 0.0
        assert margin.level == level_of(margin.margin_k - margin.error_k, band, least_k=margin.least_k - margin.error_k)


def test_more_confidence_leaves_less_margin(big):
    outlook = big.outlook
    wary = find_margins(replace(with_trip(outlook, confidence=0.99), kept=kept_at(outlook, 0.99)))
    bold = find_margins(replace(with_trip(outlook, confidence=0.5), kept=kept_at(outlook, 0.5)))
    assert all(w.margin_k < b.margin_k for w, b in zip(wary, bold, strict=True))
    assert [w.probability for w in wary] == pytest.approx([b.probability for b in bold], abs=0.01)


def test_the_spread_lies_about_the_car_as_described(report):
    # Medians of all factors are 1 and of the weather's shift 0, so half of the draws should lie either side, roughly.
    outlook, nodes = report.outlook, [fluid_of(key).node for key in fluids_of(report.outlook)]
    rows = outlook.spread.recorded
    middle = np.median(outlook.spread.temps_k[:, :, nodes], axis=0)
    off = np.abs(middle - outlook.nominal.temps_k[0, rows][:, nodes])
    assert off.max() < 5.0  # at some moment of a warm-up
    assert np.quantile(off, 0.9) < 2.0
    lower = (outlook.nominal.margin_k[0] - kept_at(outlook, 0.5).margin_k)[:, columns_of(outlook)]
    assert np.abs(lower).max() < 3.0
    assert np.all(outlook.band_k >= outlook.nominal.temps_k[0])


def test_the_worst_of_a_leg_is_the_gravest_and_smallest(report):
    for number in range(len(report.outlook.legs)):
        worst, own = worst_of(report.margins, number), [m for m in report.margins if m.leg == number]
        assert severity(worst.level) == max(severity(m.level) for m in own)
        if worst.level not in ("unknown", "exceeded"):
            assert worst.margin_k == min(m.margin_k for m in own)


def test_of_limits_exceeded_the_one_that_boils_comes_first(report):
    some = report.margins[0]
    oil = replace(some, fluid="engine_oil", level="exceeded", margin_k=-12.0, above_s=600.0)
    coolant = replace(some, fluid="coolant", level="exceeded", margin_k=-2.0, above_s=60.0)
    thin = replace(some, fluid="coolant", level="thin", margin_k=1.0)
    assert gravest((oil, coolant, thin)) is coolant
    assert gravest((oil, thin)) is oil
    assert sentence(report, coolant).endswith("Above its limit it boils within a minute or two.")
    assert sentence(report, oil).endswith("Above its limit it ages faster and may foam; up to 10 min above it.")
    assert "Above its limit" not in sentence(report, thin)


def test_time_above_the_limit_is_that_of_the_upper_temperature(report):
    outlook, drive = report.outlook, report.outlook.timeline.drive
    margin = max(report.margins, key=lambda m: fluid_of(m.fluid).index == 0 and m.upper_k)
    low = replace(outlook, nominal=replace(outlook.nominal, limit_k=outlook.nominal.limit_k - 40.0))
    found = next(m for m in find_margins(low) if (m.leg, m.fluid) == (margin.leg, margin.fluid))
    rows = drive.group == margin.leg
    hot = outlook.band_k[rows, fluid_of(margin.fluid).node] > low.nominal.limit_k[rows, fluid_of(margin.fluid).index]
    assert found.above_s == pytest.approx(float(drive.duration_s[rows][hot].sum()))
    assert found.above_s > 0.0


def test_a_transaxle_has_no_differential_of_its_own(minimal):
    assert fluids_of(minimal.outlook) == FLUID_KEYS
    file = minimal.outlook.car
    held = replace(minimal.outlook, car=replace(file, vehicle=with_part(file.vehicle, "axle", kind="transaxle")))
    assert fluids_of(held) == ("coolant", "engine_oil", "transmission", "power_steering")


# --- where it gets thin ---


def test_the_worked_example_gets_thin_on_mountain_grades(big):
    outlook = big.outlook
    line = outlook.timeline
    thin = big.notable()
    assert len(thin) >= 2
    for margin in thin:
        leg = outlook.legs[margin.leg]
        passes = [key for key in (leg.start, leg.finish) if outlook.trip.places[key].kind in ("pass", "summit")]
        assert passes, f"{leg.start} to {leg.finish} touches no pass"
        moving = line.drive.speed_m_per_s > 0.0
        before = moving & (line.end_m <= margin.distance_m) & (line.end_m > margin.distance_m - FIVE_MILES_M)
        climbed = float(np.mean(line.drive.grade[before]))
        steepest, _ = PUBLISHED_GRADE[passes[-1]]
        assert 0.4 * steepest < climbed <= steepest, f"{passes[-1]}: {climbed:.3f} over five miles"


def test_no_leg_is_called_thin_on_the_plains(big):
    outlook = big.outlook
    for number, leg in enumerate(outlook.legs):
        ends = [outlook.trip.places[key].elevation_m for key in (leg.start, leg.finish)]
        if leg.profile is None and abs(ends[1] - ends[0]) / leg.distance_m < 0.005:
            assert big.worst(number).level in ("ample", "unknown"), f"{leg.start} to {leg.finish}"


def test_the_coolant_s_limit_falls_with_height_as_water_boils(big):
    outlook = big.outlook
    height, limit = outlook.timeline.drive.elevation_m, outlook.nominal.limit_k[:, 0]
    order = np.argsort(height)
    assert np.all(np.diff(limit[order]) <= 1e-9)
    assert limit[order[0]] - limit[order[-1]] > 3.0
    # Where boiling sets it, it falls as water's saturation temperature (IAPWS-95 by CoolProp) does under the cap's
    # pressure and the standard atmosphere's (ICAO: 84.556 kPa at 1500 m, 70.109 kPa at 3000 m). Glycol shifts both.
    vehicle = outlook.car.vehicle
    cap_pa = vehicle.cooling.cap_pressure_pa
    ours = limits_k(vehicle, np.array([1500.0, 3000.0]))[:, 0]
    water = [PropsSI("T", "P", pa + cap_pa, "Q", 0, "Water") for pa in (84556.0, 70109.0)]
    assert ours[0] < vehicle.coolant_limit.limit_k
    assert ours[0] - ours[1] == pytest.approx(water[0] - water[1], rel=0.15)
    assert np.all(np.ptp(outlook.nominal.limit_k[:, 1:], axis=0) == 0.0)  # the others do not change
