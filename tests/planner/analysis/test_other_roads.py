"""Other roads: each comparison is what one gets by really taking the other road."""

from dataclasses import replace
from datetime import datetime, time

import pytest
from rules import outlook_of, with_trip

from planner.analysis.margins import columns_of, fluids_of
from planner.analysis.other_roads import Choice, compare_roads, sentence
from planner.forecast.run import Forecast, span_of

SEASON = ((5, 28), (10, 15))
PLACES = {
    "a": {"lon_deg": -98.0},
    "b": {"lon_deg": -97.6},
    "pass": {"lon_deg": -97.4, "elevation_m": 1000.0, "kind": "pass"},
    "plain": {"lon_deg": -97.4, "lat_deg": 38.2},
    "c": {"lon_deg": -97.2},
    "d": {"lon_deg": -96.8},
}


@pytest.fixture(scope="module")
def trip_of(make_trip, road):
    """a - b, then over the pass or round by the plain, then c - d; the pass is quicker."""

    def make(*, over=15.0, round_by=20.0, pass_season=None, plain_season=None, **more):
        legs = [
            road("a", "b", 20.0, road="1"),
            road("b", "pass", over, road="Pass road", season=pass_season),
            road("pass", "c", over, road="Pass road", season=pass_season),
            road("b", "plain", round_by, road="2", season=plain_season),
            road("plain", "c", round_by, road="2", season=plain_season),
            road("c", "d", 20.0, road="1"),
        ]
        return make_trip(legs, places=PLACES, **({"route": ("a", "d")} | more))

    return make


@pytest.fixture(scope="module")
def drive(trip_of, car):
    """`drive(round_by=50.0)`: the forecast of such a trip."""
    return lambda **more: outlook_of(trip_of(**more), car)


@pytest.fixture(scope="module")
def outlook(drive) -> Forecast:
    return drive()


def stops(outlook: Forecast) -> list[str]:
    return [leg.start for leg in outlook.legs] + [outlook.legs[-1].finish]


def test_the_other_road_is_compared_where_the_two_part(outlook):
    assert stops(outlook) == ["a", "b", "pass", "c", "d"]
    (choice,) = compare_roads(outlook)
    assert (choice.start, choice.finish) == ("b", "c")
    assert choice.chosen.via == "Pass road over Pass"
    assert choice.other.via == "2 over Plain"
    assert choice.chosen.climb_m == pytest.approx(1000.0, abs=1.0)
    assert choice.other.climb_m == pytest.approx(0.0, abs=1.0)


def check(choice: Choice, taken: Forecast, part: str) -> None:
    """Compare one side of a choice with a forecast of that road."""
    road = getattr(choice, part)
    names = stops(taken)
    legs = range(names.index(choice.start), names.index(choice.finish))
    driven = [span_of(taken, n) for n in legs]
    time_s = sum(float(taken.timeline.drive.duration_s[s.first : s.last + 1].sum()) for s in driven)
    margins = taken.nominal.margin_k[0, list(legs)].min(axis=0)[columns_of(taken)]
    assert road.time_s == pytest.approx(time_s, abs=1.0)
    assert road.distance_m == pytest.approx(sum(taken.legs[n].distance_m for n in legs))
    assert road.margin_k == pytest.approx(float(margins.min()), abs=0.05)
    assert road.fluid == fluids_of(taken)[int(margins.argmin())]


def test_both_sides_are_what_a_forecast_of_that_road_says(outlook, drive):
    (choice,) = compare_roads(outlook)
    check(choice, outlook, "chosen")
    check(choice, drive(route=("a", "b", "plain", "c", "d"), explicit=True), "other")


def test_the_sentence_says_what_it_costs_and_gains(outlook):
    (choice,) = compare_roads(outlook)
    said = sentence(outlook, choice)
    assert said.startswith("B to C by 2 over Plain instead of Pass road over Pass: ")
    late = (choice.other.time_s - choice.chosen.time_s) / 60.0
    assert f"{late:+.0f} min" in said
    assert "-1,000 m of climb" in said
    gain = choice.other.margin_k - choice.chosen.margin_k
    assert gain > 0.0
    assert f"gains {gain:.0f} °C of the smallest margin there" in said


@pytest.mark.parametrize("more", [{"route": ("a", "b", "pass", "c", "d"), "explicit": True}, {"round_by": 50.0}])
def test_no_other_road_for_a_list_of_every_place_and_none_of_half_as_long_again(drive, more):
    assert compare_roads(drive(**more)) == ()


def test_a_road_closed_on_its_day_is_no_choice(drive):
    winter, summer = datetime(2027, 1, 12, 9), datetime(2027, 7, 6, 9)
    plain = {"over": 12.0, "plain_season": SEASON}
    assert len(compare_roads(drive(departure=summer, **plain))) == 1
    assert compare_roads(drive(departure=winter, **plain)) == ()


def test_a_road_that_fits_no_split_into_days_is_no_choice(drive):
    # No place to sleep and 1.65 h at the wheel: the pass fits, the longer way does not. The pass is long and gentle
    # here, so that the car loses little time on it.
    day = {"driving_s": 1.65 * 3600.0, "lodging_only": True}
    taken = drive(day=day, over=24.0, round_by=34.0)
    assert compare_roads(taken) == ()
    relaxed = with_trip(taken, day=replace(taken.trip.day, driving_s=2.0 * 3600.0))
    assert len(compare_roads(relaxed)) == 1


def test_at_most_three_those_that_cost_the_least_time(make_trip, road, car):
    keys = ["p1", "p2", "p3", "p4", "p5"]
    places = {key: {"lon_deg": -97.8, "lat_deg": 38.4 + 0.02 * n} for n, key in enumerate(keys)}
    places |= {"a": {"lon_deg": -98.0}, "z": {"lon_deg": -97.6}}
    ways = [(n, a, b) for n, key in enumerate(keys) for a, b in (("a", key), (key, "z"))]
    legs = [road(a, b, 20.0 + n, road=keys[n]) for n, a, b in ways]
    choices = compare_roads(outlook_of(make_trip(legs, places=places, route=("a", "z")), car))
    assert [choice.other.via.partition(" ")[0] for choice in choices] == ["p2", "p3", "p4"]
    late = [choice.other.time_s - choice.chosen.time_s for choice in choices]
    assert late == pytest.approx([120.0, 240.0, 360.0], abs=2.0)


def test_the_alps_have_two_ways_to_andermatt(alps):
    choices = compare_roads(alps.outlook)
    assert alps.choices == choices
    for choice in choices:
        assert choice.other.time_s > 0.0
        check(choice, alps.outlook, "chosen")


def test_a_later_hour_is_that_of_the_other_road(drive):
    # The other road is driven at its own hours: after noon, an hour more on the way there means other air.
    early = drive(departure=datetime(2027, 7, 6, 6))
    late = drive(departure=datetime(2027, 7, 6, 14), day={"start": time(8)})
    cool, hot = compare_roads(early)[0], compare_roads(late)[0]
    assert cool.other.margin_k > hot.other.margin_k + 0.5
