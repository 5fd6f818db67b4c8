"""Planning on from the middle of a trip: what is left is driven as it was planned, and what changed is said."""

import functools
import itertools
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest

from planner.files.folder import open_folder
from planner.files.names import find_place
from planner.forecast.run import forecast
from planner.model import clock
from planner.model.errors import PlannerError
from planner.model.trip import Event, Halt, Profile, ServiceItem
from planner.replan.position import UNDER_WAY
from planner.replan.remaining import replan
from planner.replan.request import Request, check_temps, read_request
from planner.replan.start_temps import by_plan, driven_late, start_of, start_temps_k
from planner.route.graph import choose_route
from planner.route.road import cut_road
from planner.route.timeline import build_timeline, open_route
from planner.weather.expected import highs_lows_along
from thermal.fluids import BODY_KEYS, N_BODY
from thermal.simulate import simulate
from thermal.spread import medians


@pytest.fixture(scope="module")
def driven(copy_example, tmp_path_factory):
    """`driven("alps")`: trip, car, legs, timeline, margins of the car as described, by leg, of a shipped example."""

    @functools.cache
    def drive(name):
        trip, car = open_folder(copy_example(name, tmp_path_factory.mktemp(name) / "trip"))
        return trip, car, *nominal(trip, car)

    return drive


def on_from(trip, where, at, **more):
    """What is left of a trip from a place, or from a point of a leg, on."""
    return replan(trip, choose_route(trip), start_at=where, at=at, **more)


def nominal(trip, car, start_k=None):
    legs = choose_route(trip)
    line = build_timeline(trip, legs, car.vehicle)
    return legs, line, simulate(line.drive, car.vehicle, start_k=start_k).margin_k[0]


def wall_clock(place, epoch_s):
    """Key of a place, and the time there without its zone."""
    return place.key, clock.local(float(epoch_s), place.lat_deg, place.lon_deg).replace(tzinfo=None)


def morning(trip, legs, line, number):
    """Place and wall clock of the start of a day."""
    day = line.days[number]
    return wall_clock(trip.places[legs[day.first].start], day.start_s)


def midday(line, trip, legs, number):
    """Place after half of a day's legs, and the local time of leaving it."""
    day = line.days[number]
    middle = (day.first + day.last) // 2
    span = next(one for one in line.spans if one.leg == middle and one.day == number)
    key, at = wall_clock(trip.places[legs[middle].finish], line.end_s[span.last])
    return key, at.replace(microsecond=0)


# --- what is left ---


@pytest.mark.parametrize("name", ["alps", "minimal"])
def test_from_the_start_at_the_departure_nothing_changes(driven, name):
    trip, car, legs, line, margins = driven(name)
    again = on_from(trip, trip.route[0], trip.departure)
    legs2, line2, margins2 = nominal(again, car)
    assert legs2 == legs
    assert line2.days == line.days
    np.testing.assert_array_equal(margins2, margins)
    for field in ("nights", "halts", "rest", "events", "mornings", "places", "departure", "route"):
        assert getattr(again, field) == getattr(trip, field), field


@pytest.mark.parametrize("number", [2, 3, 4, 5])  # nights on the plains, so that the air near the start is the same
def test_from_a_night_place_next_morning_the_rest_is_as_planned(driven, number):
    trip, car, legs, line, margins = driven("wilmington-astoria")
    key, at = morning(trip, legs, line, number)
    rest = on_from(trip, key, at)
    legs2, line2, margins2 = nominal(rest, car)
    first = line.days[number].first
    assert legs2 == legs[first:]
    assert [day.start_s for day in line2.days] == [day.start_s for day in line.days[number:]]
    np.testing.assert_allclose(margins2, margins[first:], atol=0.1, rtol=0)
    assert f"day {number + 1}" in rest.name


def test_from_a_night_in_the_mountains_only_the_first_morning_differs(driven):
    # the model of valleys' cool mornings looks 25 km back along the road, and the car did not cool all the way
    trip, car, legs, line, margins = driven("alps")
    for number in range(1, len(line.days)):
        key, at = morning(trip, legs, line, number)
        legs2, _, margins2 = nominal(on_from(trip, key, at), car)
        first = line.days[number].first
        assert legs2 == legs[first:]
        np.testing.assert_allclose(margins2, margins[first:], atol=1.0, rtol=0)


@pytest.mark.parametrize("number", [2, 5])
def test_hours_driven_in_the_morning_count_towards_the_days_limit(driven, number):
    trip, car, legs, line, _ = driven("wilmington-astoria")
    key, at = midday(line, trip, legs, number)
    rest = on_from(trip, key, at, line=line)  # by the speeds held, as rest_of has it
    day = line.days[number]
    road_s = line.drive.duration_s * (line.drive.speed_m_per_s > 0.0)
    before = [i for i in range(day.first, day.last + 1) if i <= (day.first + day.last) // 2]
    assert rest.driven_s == pytest.approx(float(road_s[np.isin(line.drive.group, before)].sum()), rel=0.05)
    again = build_timeline(rest, choose_route(rest), car.vehicle)
    first_s = again.days[0].driving_s
    assert rest.driven_s + first_s <= trip.day.driving_s * 1.01
    assert legs[day.last].finish == choose_route(rest)[again.days[0].last].finish  # the night stays where it was
    fresh = on_from(trip, key, at, driven_s=0.0)
    assert fresh.driven_s == 0.0
    assert build_timeline(fresh, choose_route(fresh), car.vehicle).days[0].driving_s >= first_s


def test_a_car_elsewhere_that_day_has_driven_nothing_unless_told(driven):
    trip, _, legs, line, _ = driven("wilmington-astoria")
    key, at = midday(line, trip, legs, 2)
    assert on_from(trip, key, at + timedelta(days=1)).driven_s == 0.0
    assert on_from(trip, key, at + timedelta(days=1), driven_s=7200.0).driven_s == 7200.0


def test_with_all_hours_used_the_day_still_ends_at_a_place_to_stay(driven):
    trip, car, legs, line, _ = driven("wilmington-astoria")
    key, at = midday(line, trip, legs, 2)
    rest = on_from(trip, key, at, driven_s=trip.day.driving_s)
    ahead = choose_route(rest)
    again = build_timeline(rest, ahead, car.vehicle)
    ends = [leg.finish for leg in ahead[: again.days[0].last + 1]]
    assert "lodging" in trip.places[ends[-1]].services
    assert not any("lodging" in trip.places[end].services for end in ends[:-1])


def test_air_at_a_place_without_its_own_high_stays_that_of_the_whole_trip(driven):
    trip, _, legs, *_ = driven("alps")
    position = next(i for i, leg in enumerate(legs) if leg.start == "oberalppass")
    assert trip.places["oberalppass"].high_k is None
    rest = on_from(trip, "oberalppass", datetime(2027, 7, 9, 12))
    whole, part = cut_road(trip, legs), cut_road(rest, choose_route(rest))
    assert part.legs == legs[position:]
    rows = whole.leg >= position
    high, low = highs_lows_along(whole.middle_m[rows], whole.elevation_m[rows], whole.anchors)
    high2, low2 = highs_lows_along(part.middle_m, part.elevation_m, part.anchors)
    np.testing.assert_allclose(high2, high, atol=1e-6)
    np.testing.assert_allclose(low2, low, atol=1e-6)


def test_what_is_past_is_dropped(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60), road("c", "d", 60), road("d", "e", 60)]
    trip = make_trip(
        legs,
        nights=("b", "c", "d"),
        rest=("b", "d"),
        halts=(Halt(place="b", duration_s=60.0, engine_on=False), Halt(place="d", duration_s=60.0, engine_on=False)),
        events=(
            Event(place="b", on=date(2027, 7, 7), arrive_by=time(20), stay_s=0.0),
            Event(place="c", on=date(2027, 7, 9), arrive_by=time(20), stay_s=3600.0),
            Event(place="d", on=date(2027, 7, 12), arrive_by=time(20), stay_s=0.0),
        ),
        mornings=((date(2027, 7, 9), time(6)), (date(2027, 7, 10), time(7))),
    )
    rest = on_from(trip, "c", datetime(2027, 7, 9, 9))
    assert rest.route == ("c", "e")
    assert (rest.nights, rest.rest) == (("d",), ("d",))
    assert [halt.place for halt in rest.halts] == ["d"]
    assert [event.place for event in rest.events] == ["d"]
    assert rest.mornings == ((date(2027, 7, 10), time(7)),)
    assert rest.first_date == date(2027, 7, 9)


def test_vias_behind_are_dropped_and_those_ahead_kept(driven):
    trip, *_ = driven("alps")
    rest = on_from(trip, "Davos", datetime(2027, 7, 10, 9))
    assert rest.route == ("davos", "fluelapass", "ofenpass", "prad", "stelvio", "bormio")
    at_via = on_from(trip, "fluelapass", datetime(2027, 7, 10, 9))
    assert at_via.route == ("fluelapass", "ofenpass", "prad", "stelvio", "bormio")


def test_from_a_place_beside_the_route_the_next_via_is_driven_to(driven):
    # Airolo lies south of the Gotthard; the route's nearest place is Andermatt or Ulrichen, the Oberalp comes next
    trip, *_ = driven("alps")
    assert "airolo" not in {leg.start for leg in choose_route(trip)}
    rest = on_from(trip, "airolo", datetime(2027, 7, 9, 12))
    assert rest.route[:1] == ("airolo",)
    assert rest.route[-5:] == ("fluelapass", "ofenpass", "prad", "stelvio", "bormio")
    assert choose_route(rest)[0].start == "airolo"


def test_of_two_passings_the_one_planned_nearest_counts(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60), road("c", "d", 60, two_way=False), road("d", "b", 60)]
    legs += [road("b", "e", 60)]
    trip = make_trip(legs, route=("a", "b", "c", "d", "b", "e"), explicit=True)
    early = on_from(trip, "b", datetime(2027, 7, 6, 9))
    late = on_from(trip, "b", datetime(2027, 7, 6, 12, 30))
    assert early.route == ("b", "c", "d", "b", "e")
    assert late.route == ("b", "e")


# --- along a leg ---


@pytest.mark.parametrize("share", [0.1, 0.5, 0.83])
def test_a_leg_is_split_with_its_distance_and_elevations(driven, share):
    trip, _, legs, *_ = driven("alps")
    i = next(n for n, leg in enumerate(legs) if leg.finish == "furkapass")
    leg = legs[i]
    along = share * leg.distance_m
    rest = on_from(trip, (leg.start, leg.finish, along), datetime(2027, 7, 9, 10))
    left = choose_route(rest)
    assert rest.route[:2] == (UNDER_WAY, "furkapass")
    assert sum(one.distance_m for one in left) == pytest.approx(sum(one.distance_m for one in legs[i:]) - along)
    scale = leg.profile.distance_m[-1] / leg.distance_m
    here = rest.places[UNDER_WAY]
    assert here.elevation_m == pytest.approx(np.interp(along * scale, leg.profile.distance_m, leg.profile.elevation_m))
    at = np.linspace(along, leg.distance_m, 50)
    want = np.interp(at * scale, leg.profile.distance_m, leg.profile.elevation_m)
    got = np.interp(at - along, left[0].profile.distance_m, left[0].profile.elevation_m)
    np.testing.assert_allclose(got, want, atol=1e-6)
    a, b = trip.places[leg.start], trip.places[leg.finish]
    assert min(a.lat_deg, b.lat_deg) < here.lat_deg < max(a.lat_deg, b.lat_deg)


def test_a_leg_driven_the_other_way_is_split_from_its_end(make_trip, road):
    rise = Profile(distance_m=(0.0, 30000.0, 90000.0), elevation_m=(0.0, 600.0, 900.0))
    trip = make_trip(
        [road("a", "b", 60, profile=rise), road("a", "z", 10)],
        route=("b", "z"),
        places={"b": {"elevation_m": 900.0}},
    )
    rest = on_from(trip, ("b", "a", 75000.0), datetime(2027, 7, 6, 9))
    assert rest.places[UNDER_WAY].elevation_m == pytest.approx(300.0)  # 15 km above a, halfway up the lower ramp
    assert [leg.finish for leg in choose_route(rest)] == ["a", "z"]
    assert choose_route(rest)[0].distance_m == pytest.approx(15000.0)


# --- what is refused ---


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("davvos", "did you mean 'davos'"),
        ("bormio", "there is nothing left to plan"),
        (("brig", "davos", 10.0), "no open leg goes from 'brig' to 'davos'"),
        *((("brig", "ulrichen", along), "long; give a distance within") for along in (-5.0, 0.0, 1e6)),
    ],
)
def test_a_start_that_cannot_be_is_refused(driven, where, said):
    trip, *_ = driven("alps")
    with pytest.raises(PlannerError, match=said):
        on_from(trip, where, datetime(2027, 7, 9, 10))


def test_a_zone_an_unknown_fluid_and_a_strange_reading_are_refused(driven):
    trip, *_ = driven("alps")
    with pytest.raises(PlannerError, match="already has a zone"):
        on_from(trip, "davos", datetime(2027, 7, 9, 10, tzinfo=UTC))
    with pytest.raises(PlannerError, match="did you mean 'coolant'"):
        check_temps({"coolent": 363.15})
    with pytest.raises(PlannerError, match="check the number and its unit"):
        check_temps({"coolant": 90.0})


def test_a_place_is_found_by_its_name_whatever_the_capitals(driven):
    trip, *_ = driven("alps")
    assert find_place(trip, "  flüelapass ").key == "fluelapass"


HERE = {"from_place": "a", "at": "2027-07-09 10:00"}


@pytest.mark.parametrize(
    ("given", "part"),
    [
        ({"from_place": "davos"}, "and --at"),
        ({"at": "2027-07-09 10:00"}, "either --from PLACE or --along"),
        ({"from_place": "davos", "along": "a>b:1 km", "at": "2027-07-09 10:00"}, "either --from PLACE or --along"),
        ({"from_place": "davos", "at": "10 o'clock"}, "--at: read"),
        ({"from_place": "davos", "at": "2027-13-09 10:00"}, "--at: read"),
        ({"along": "a-b", "at": "2027-07-09 10:00"}, "write FROM>TO:DISTANCE"),
        ({"along": "a>b:12", "at": "2027-07-09 10:00"}, "--along: '12' needs a number and a unit, e.g. '12.5 mi'"),
        (HERE | {"readings": ["coolant"]}, "must be a fluid and a temperature"),
        (HERE | {"readings": ["oil=90 degC"]}, "there is no such fluid"),
        (HERE | {"readings": ["coolant=90 km"]}, "--now: "),
        (HERE | {"readings": ["coolant=395 degF"]}, "reading of coolant: 395 degF; allowed is -58 degF to 392 degF"),
        (HERE | {"readings": ["coolant=195"]}, "a unit, e.g. '195 degF'"),
        (HERE | {"driven": "5.5"}, "--driven: '5.5' needs a number and a unit"),
        *((HERE | {"driven": text}, "--driven") for text in ("25 h", "-1 h", "5.5 mi", "nan h", "")),
    ],
)
def test_what_was_typed_wrongly_is_told(given, part):
    plain = {"from_place": None, "along": None, "at": None, "readings": ()}
    with pytest.raises(PlannerError) as caught:
        read_request(**plain | given)
    assert part in str(caught.value)


def test_what_was_typed_is_read():
    asked = read_request(from_place="Davos", along=None, at="2027-07-09T10:00", readings=["Engine oil=212 degF"])
    assert (asked.start_at, asked.at) == ("Davos", datetime(2027, 7, 9, 10))
    assert asked.temps_k == {"engine_oil": pytest.approx(373.15)}
    assert read_request(from_place=None, along=None, at=None, readings=()) is None


# --- service and the car's state ---


def test_service_counts_what_was_driven_and_when_due_is_done(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60)]  # 90 km each
    items = (
        ServiceItem(item="oil", every_m=1e6, since_m=2e5, months=12.0, since_months=1.0),
        ServiceItem(item="look", every_m=5e4, since_m=2e4),
    )
    trip = make_trip(legs, service=items)
    rest = on_from(trip, "b", trip.departure + timedelta(days=30.44))
    assert rest.service[0].since_m == pytest.approx(2.9e5)
    assert rest.service[0].since_months == pytest.approx(2.0)
    assert rest.service[1].since_m == pytest.approx(1e4)  # 110 km since, done at 50 and 100
    assert any("fell due on the way: look" in said for said in rest.assumptions)


def asked(where, at, **temps_k):
    return Request(start_at=where, at=at, temps_k=temps_k, driven_s=None)


def set_off(route, car, key, at):
    """What is left of a trip from a place on, and how warm the car is there."""
    return start_of(route, replan(route.trip, route.legs, start_at=key, at=at), car, asked(key, at))


@pytest.fixture(scope="module")
def noon(driven):
    """Trip, car and route of the worked example, and where and when the plan has them at noon of the sixth day."""
    trip, car, legs, line, _ = driven("wilmington-astoria")
    return trip, car, open_route(trip, car.vehicle), *midday(line, trip, legs, 5)


@pytest.mark.parametrize("number", [2, 5])
def test_without_gauges_the_car_is_as_warm_as_the_plan_has_it(driven, number):
    trip, car, legs, line, _ = driven("wilmington-astoria")
    key, at = midday(line, trip, legs, number)
    rest, start = set_off(open_route(trip, car.vehicle), car, key, at)
    (start_k,) = start(medians(car.spread))
    span = next(one for one in line.spans if one.kind == "drive" and legs[one.leg].finish == key and one.day == number)
    whole = simulate(line.drive, car.vehicle).temps_k[0]
    np.testing.assert_allclose(start_k, whole[span.last], atol=1.0)  # that morning as cold as the air
    assert rest.assumptions[0].startswith("The car starts at the planned temperatures: coolant ")
    # what is left is forecast as the whole was: the first leg ahead, same air, same car
    ahead = choose_route(rest)
    again = build_timeline(rest, ahead, car.vehicle)
    peak = simulate(again.drive, car.vehicle, start_k=start_k).temps_k[0][again.drive.group == 0, 1:5].max(axis=0)
    want = whole[line.drive.group == span.leg + 1, 1:5].max(axis=0)
    np.testing.assert_allclose(peak, want, atol=1.5)


def test_by_the_plan_every_draw_has_its_own_warmth(noon):
    trip, car, route, key, at = noon
    whole = forecast(trip, car)
    rest, start = set_off(route, car, key, at)
    outlook = forecast(rest, car, start=start)
    leg = next(n for n, one in enumerate(whole.legs) if one.start == key)
    assert outlook.legs[0] == whole.legs[leg]
    before, after = (one.kept.margin_k[n, :4] for one, n in ((whole, leg), (outlook, 0)))
    np.testing.assert_allclose(after, before, atol=3.0)  # the day's air so far is taken as expected
    np.testing.assert_array_equal(outlook.mornings_k[0][0], start(medians(car.spread))[0])


def test_a_car_that_stood_for_a_while_has_cooled(noon):
    _, car, route, key, at = noon
    usual = medians(car.spread)
    temps = [by_plan(route, car, asked(key, at + timedelta(minutes=minutes)))(usual)[0] for minutes in (0, 30, 120)]
    for before, after in itertools.pairwise(temps):
        assert np.all(after[2:5] < before[2:5])


def test_gauges_say_whether_a_late_car_stood_here_or_drove_later(noon):
    trip, car, route, key, at = noon
    usual, at = medians(car.spread), at + timedelta(hours=1)
    rest, ways = replan(trip, route.legs, start_at=key, at=at), (by_plan, driven_late)
    fluids = ("coolant", "engine_oil", "transmission", "differential")
    stood, drove = (dict(zip(BODY_KEYS, way(route, car, asked(key, at))(usual)[0], strict=True)) for way in ways)
    assert all(drove[fluid] > stood[fluid] + 5.0 for fluid in fluids[1:])  # an hour's rest cools a car
    for temps, said in ((stood, False), (drove, True)):
        read = Request(start_at=key, at=at, temps_k={fluid: temps[fluid] for fluid in fluids}, driven_s=None)
        found, start = start_of(route, rest, car, read)
        assert ("drove later" in found.assumptions[0]) == said
        unread = BODY_KEYS.index("metal")
        assert start(usual)[0][unread] == pytest.approx(temps["metal"], abs=3.0)


def test_without_gauges_a_late_car_is_as_warm_as_the_warmer_of_both_ways(noon):
    trip, car, route, key, at = noon
    usual, at = medians(car.spread), at + timedelta(hours=1)
    ways = [way(route, car, asked(key, at))(usual)[0] for way in (by_plan, driven_late)]
    found, start = start_of(route, replan(trip, route.legs, start_at=key, at=at), car, asked(key, at))
    np.testing.assert_array_equal(start(usual)[0], np.maximum(*ways))
    assert "the warmer is taken" in found.assumptions[0]


def test_a_car_on_time_is_not_asked_whether_it_stood(noon):
    _, car, route, key, at = noon
    assert driven_late(route, car, asked(key, at)) is None


def test_the_plan_says_nothing_of_a_car_elsewhere(noon):
    trip, car, route, key, at = noon
    for where, when in ((key, at + timedelta(days=1)), (key, at - timedelta(days=1)), (trip.route[0], trip.departure)):
        assert by_plan(route, car, asked(where, when)) is None
    rest, start = set_off(route, car, key, at + timedelta(days=1))
    assert start(medians(car.spread)) is None
    assert "assumed cold" in rest.assumptions[0]


def test_a_warm_gauge_outranks_a_plan_that_has_the_car_gone_cold(noon):
    trip, car, _, key, at = noon
    rest, air = on_from(trip, key, at), 300.0
    cold = np.full(N_BODY, air - 1.0)
    got, usual = (start_temps_k(rest, car.vehicle, {"coolant": 370.0}, plan) for plan in (cold, None))
    np.testing.assert_array_equal(got, usual)
    assert got[4] > 340.0  # the differential is guessed as warm as the coolant says, not as cold as the plan


def test_one_gauge_shifts_what_the_plan_says_of_the_others(noon):
    trip, car, route, key, at = noon
    (plan,) = by_plan(route, car, asked(key, at))(medians(car.spread))
    rest = on_from(trip, key, at)
    same, hotter = (start_temps_k(rest, car.vehicle, {"differential": plan[4] + shift}, plan) for shift in (0.0, 10.0))
    np.testing.assert_allclose(same, plan)
    assert np.all(hotter[:5] > plan[:5])
    assert hotter[4] == plan[4] + 10.0


def test_readings_start_the_car_and_the_rest_is_estimated_between_air_and_warm(driven):
    trip, car, *_ = driven("alps")
    at = datetime(2027, 7, 10, 13)
    rest = on_from(trip, "davos", at)
    assert start_temps_k(rest, car.vehicle) is None  # cold: the forecast takes the air's
    read = {"coolant": 365.0, "transmission": 340.0}
    state = start_temps_k(rest, car.vehicle, read)
    assert (state[1], state[3]) == (365.0, 340.0)
    assert 290.0 < state[4] < 360.0
    assert state[0] > 365.0
    warm = on_from(trip, ("davos", "fluelapass", 5000.0), at)
    assert start_temps_k(warm, car.vehicle)[1] == pytest.approx(car.vehicle.cooling.thermostat_open_k + 3.0)


def test_a_warm_start_takes_margin_from_the_first_leg_and_is_forgotten(driven):
    trip, car, *_ = driven("alps")
    rest = on_from(trip, "davos", datetime(2027, 7, 10, 13))
    _, _, cold = nominal(rest, car)
    hot = start_temps_k(rest, car.vehicle, {"coolant": 368.0, "differential": 380.0})
    _, _, warm = nominal(rest, car, hot)
    assert warm[0, 3] < cold[0, 3] - 5.0
    lost = cold - warm
    np.testing.assert_allclose(lost[-1, :2], 0.0, atol=0.05)  # coolant and oil forget within the hour
    assert np.all(lost[-1] < 0.25 * lost[0, 3])  # the heavy boxes within some hours


def test_a_leg_named_against_the_way_driven_is_refused_and_named_right(driven):
    trip, _, legs, *_ = driven("alps")
    leg = next(one for one in legs if one.finish == "furkapass")
    with pytest.raises(PlannerError, match=f"'{leg.start}>furkapass:{(leg.distance_m - 5000.0) / 1000.0:.1f} km'"):
        on_from(trip, ("furkapass", leg.start, 5000.0), datetime(2027, 7, 9, 10))
