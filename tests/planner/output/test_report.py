"""Tables and sentences say what the arrays hold, in the units their headings name."""

import re

import numpy as np
import pandas as pd
import pytest

from planner.analysis.fuel import fuel_l
from planner.model.display import METRIC, US
from planner.model.levels import severity
from planner.output.report import chance, day_rows, leg_rows, legs_cells, local_time, reason, sentence, span_of

NEEDS_NO_UNIT = set("day leg from to road depart arrive level fluid near when date then".split())
NEEDS_NO_UNIT |= {"slowed by the grade"}
OF_UNITS = {"us": {"mi", "ft", "°F", "gal", "h"}, "metric": {"km", "m", "°C", "L", "h"}}


@pytest.fixture(params=["minimal", "alps", "big"])
def report(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def both(copy_example, report_of, tmp_path_factory):
    """The same drive reported in US and in metric units."""
    folder = copy_example("alps", tmp_path_factory.mktemp("both") / "trip")
    return report_of(folder, units="us"), report_of(folder, units="metric")


# --- units ---


def test_headings_carry_the_trip_s_units(report):
    allowed = OF_UNITS[report.outlook.trip.units]
    for heading in pd.DataFrame(legs_cells(report)).columns:
        unit = re.search(r"\[(.+)\]$", heading)
        if unit:
            assert unit[1] in allowed, heading
        else:
            assert heading in NEEDS_NO_UNIT or heading.endswith("chance over"), f"{heading!r} has no unit"


def test_conversions_against_defined_values():
    # NIST SP 811: mile 1609.344 m, foot 0.3048 m, US gallon 3.785 411 784 L; 212 degF is 100 degC.
    assert (US.dist(1609.344), US.height(0.3048), US.temp(373.15), US.diff(5.0)) == pytest.approx((1, 1, 212, 9))
    assert (US.pace(0.44704), US.litres) == pytest.approx((1, 3.785411784))
    assert (METRIC.dist(1000.0), METRIC.height(1.0), METRIC.temp(373.15), METRIC.diff(5.0)) == (1, 1, 100, 5)
    assert METRIC.pace(10.0) == pytest.approx(36.0)


SCALES = {"distance": 1.609344, "climb": 0.3048, "fuel": 3.785411784}
DIGIT = {"distance": 0.1, "climb": 1.0, "fuel": 0.01}


def test_us_and_metric_say_the_same(both):
    us, metric = (pd.DataFrame(legs_cells(one)) for one in both)
    assert len(us) == len(metric) > 5
    for left, right in zip(us.columns, metric.columns, strict=True):
        name = left.split(" [")[0]
        assert name == right.split(" [")[0]
        if name in SCALES:
            slack = 0.51 * (DIGIT[name] * SCALES[name] + DIGIT[name])
            np.testing.assert_allclose(us[left] * SCALES[name], metric[right], atol=slack, rtol=0)
        elif name.endswith(" margin"):
            np.testing.assert_allclose(us[left] / 1.8, metric[right], atol=0.09, rtol=0)
        elif "[" in left:
            np.testing.assert_allclose((us[left] - 32) / 1.8, metric[right], atol=0.8, rtol=0)
        else:
            assert list(us[left]) == list(metric[right])
    assert both[0].margins == both[1].margins


# --- tables ---


def test_the_legs_table_follows_the_arrays(report):
    outlook, u = report.outlook, report.units
    frame = pd.DataFrame(legs_cells(report))
    assert len(frame) == len(outlook.legs)
    for number, leg in enumerate(outlook.legs):
        row, span = frame.iloc[number], span_of(outlook, number)
        part = slice(span.first, span.last + 1)
        assert row[f"distance [{u.distance}]"] == pytest.approx(u.dist(leg.distance_m), abs=0.051)
        assert row[f"air [{u.temperature}]"] == round(u.temp(outlook.timeline.drive.air_k[part].max()))
        assert row["from"] == outlook.trip.places[leg.start].name
        driven_s = outlook.timeline.end_s[span.last] - outlook.timeline.begin_s[span.first]
        assert driven_s == pytest.approx(leg.distance_m / leg.speed_m_per_s, rel=1e-6) or row["slowed by the grade"]


def test_days_are_sums_of_their_legs(report):
    legs = leg_rows(report)
    for day in day_rows(report):
        own = [leg for leg in legs if leg.day == day.day]
        assert day.distance_m == pytest.approx(sum(leg.distance_m for leg in own))
        assert (day.depart, day.arrive) == (own[0].depart, own[-1].arrive)
        assert day.driving_s <= report.outlook.trip.day.driving_s + 1.0
        assert day.worst.level == max((leg.worst.level for leg in own), key=severity)


def test_fuel_is_that_of_such_a_car(big):
    # Common practice, no source: an 1850 kg estate with a half-tonne trailer takes 9 to 16 L/100 km on a long drive.
    legs = big.outlook.legs
    litres = sum(fuel_l(big.outlook, number) for number in range(len(legs)))
    assert 9.0 < litres / (sum(leg.distance_m for leg in legs) / 1e5) < 16.0


def test_local_time_is_that_of_the_place(big):
    outlook = big.outlook
    assert local_time(outlook, 0, begin=True).isoformat() == "2027-07-06T07:00:00-04:00"
    last = span_of(outlook, len(outlook.legs) - 1).last
    assert local_time(outlook, last).utcoffset().total_seconds() == -7 * 3600.0


# --- sentences ---


def test_sentences_carry_the_margin_s_numbers(report):
    u = report.units
    for margin in report.margins:
        said = sentence(report, margin)
        assert said.endswith(".")
        assert "\n" not in said
        assert f"{u.temp(margin.peak_k):.0f} {u.temperature}" in said
        assert f"limit {u.temp(margin.limit_k):.0f}." in said
        assert f"up to {u.temp(margin.limit_k - margin.margin_k):.0f} at" in said
        assert chance(margin.probability, learnt=False) in said
        assert margin.near in said


def test_reasons_are_physical(big):
    # Every thin leg of the worked example is thin on a climb: more power than the trip's mean, at less speed.
    for margin in big.notable():
        said = reason(big, margin)
        assert "nan" not in said
        grade = float(re.search(r"mean grade (-?[\d.]+) %", said)[1])
        here, mean = (float(x) for x in re.search(r"(\d+) kW at the crankshaft \(trip's mean (\d+)\)", said).groups())
        speed, usual = (float(x) for x in re.search(r"(\d+) mph \((\d+)\)", said).groups())
        assert grade > 1.5
        assert here > mean
        assert speed < usual


def test_a_reason_holds_for_every_margin(report):
    for margin in report.margins:
        said = reason(report, margin)
        assert said.endswith(".")
        assert "nan" not in said
        assert "inf" not in said
