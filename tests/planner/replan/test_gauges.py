"""A gauge pins what it reads and nothing else: the warnings ahead stay, whatever a calm reading says."""

from datetime import UTC, datetime

import numpy as np
import pytest

from planner.analysis.margins import find_margins, worst_of
from planner.forecast.run import forecast, span_of
from planner.model import clock
from planner.output.mapscene import make_scene
from planner.output.report import make_report
from planner.replan.believe import error_k
from planner.replan.remaining import replan
from planner.replan.request import Request
from planner.replan.start_temps import start_of
from thermal.fluids import BODY_KEYS
from thermal.kernel import Factors
from thermal.spread import draw, medians

KEY, TOP = "la-veta-jct", "la-veta-pass"  # the foot of the grade on which the worked example is thin


@pytest.fixture(scope="module")
def here(big):
    """Where and when the plan has the car at the foot of North La Veta Pass."""
    outlook, route = big.outlook, big.outlook.route
    leg = next(i for i, one in enumerate(outlook.legs) if one.finish == KEY)
    row, place = span_of(outlook, leg).last, outlook.trip.places[KEY]
    moment = datetime.fromtimestamp(float(outlook.timeline.end_s[row]), tz=UTC)
    at = clock.to_local(moment, clock.zone_of(place.lat_deg, place.lon_deg)).replace(tzinfo=None)
    return route, at


@pytest.fixture(scope="module")
def car(big):
    return big.outlook.car


@pytest.fixture(scope="module")
def factors(car) -> Factors:
    return draw(256, ambient_sd_k=np.zeros(1), seed=7, posterior=car.spread, vehicle=car.vehicle)[0]


@pytest.fixture(scope="module")
def set_off(here, car):
    """`set_off(coolant=360.0)`: what is left from the foot of the pass with these readings, and how warm the car is."""
    route, at = here

    def make(**temps_k):
        request = Request(start_at=KEY, at=at, temps_k=temps_k, driven_s=None)
        return start_of(route, replan(route.trip, route.legs, start_at=KEY, at=at), car, request)

    return make


@pytest.fixture(scope="module")
def planned(set_off, car):
    _, start = set_off()
    return dict(zip(BODY_KEYS, start(medians(car.spread))[0].tolist(), strict=True))


def test_a_reading_narrows_what_it_reads_and_leaves_the_rest_its_spread(set_off, planned, factors):
    before, after = (set_off(**read)[1](factors) for read in ({}, {"coolant": planned["coolant"]}))
    sd = {key: (np.std(before[:, i]), np.std(after[:, i])) for i, key in enumerate(BODY_KEYS)}
    # by hand: 1 / sqrt(1 / before^2 + 1 / error^2), what two independent readings of one quantity leave
    error = error_k({"coolant": 0.0})[0]
    assert sd["coolant"][1] == pytest.approx((sd["coolant"][0] ** -2 + error**-2) ** -0.5, rel=0.15)
    for key in ("transmission", "differential"):  # a differential has nothing to do with coolant
        assert sd[key][1] > 0.85 * sd[key][0], key


def level_of_climb(set_off, car, **read):
    rest, start = set_off(**read)
    outlook = forecast(rest, car, start=start)
    leg = next(i for i, one in enumerate(outlook.legs) if one.finish == TOP)
    margins = find_margins(outlook)
    return worst_of(margins, leg), {m.fluid: m.margin_k for m in margins if m.leg == leg}


def test_a_gauge_that_confirms_the_plan_erases_no_warning(set_off, planned, car):
    plain, _ = level_of_climb(set_off, car)
    calm, _ = level_of_climb(set_off, car, coolant=planned["coolant"])
    assert calm.level == plain.level
    assert calm.margin_k == pytest.approx(plain.margin_k, abs=2.0)
    assert calm.probability > 0.5 * plain.probability


def test_a_hotter_gauge_never_reads_better_than_none(set_off, planned, car):
    _, plain = level_of_climb(set_off, car)
    for more in (6.0, 25.0):  # within the draws, and far outside them
        _, hot = level_of_climb(set_off, car, coolant=planned["coolant"] + more)
        for fluid, margin_k in hot.items():
            assert margin_k < plain[fluid] + 1.0, (more, fluid)


def test_a_reading_outside_every_draw_is_told_and_only_the_hotter_is_gone_by(set_off, planned, car, factors):
    column = BODY_KEYS.index("coolant")
    rest, start = set_off(coolant=planned["coolant"] + 40.0)
    assert "check gauge, unit and car before driving on; used as read" in rest.assumptions[0]
    assert start(factors)[:, column].mean() == pytest.approx(planned["coolant"] + 40.0, abs=1.0)
    rest, start = set_off(coolant=planned["coolant"] - 60.0)
    assert "not used" in rest.assumptions[0]
    assert start(medians(car.spread))[0, column] == pytest.approx(planned["coolant"], abs=0.1)


def test_the_page_begins_at_the_reading(set_off, planned, car):
    read_k = planned["differential"] + 4.0
    rest, start = set_off(differential=read_k)
    report = make_report(forecast(rest, car, start=start), remedies=False)
    series = next(one for one in make_scene(report).track.series if one.label == "Differential")
    expected = start(medians(car.spread))[0, BODY_KEYS.index("differential")]
    assert series.values[0] == pytest.approx(report.units.temp(expected), abs=0.06)
    assert abs(expected - read_k) < 2.0  # the gauge has an error of its own
