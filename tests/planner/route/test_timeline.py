"""The drive on paper: every segment has its place, its clock, its weather; nights and halts stand between the legs.

The shipped examples show that it holds on long trips; made-up roads in Kansas show it where the answer is known.
"""

from dataclasses import replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from planner.model.trip import Halt, Profile
from planner.route.road import cut_road
from planner.route.timeline import build_timeline

QUARTER_MILE_M = 402.336  # 1609.344 / 4
CHICAGO = ZoneInfo("America/Chicago")
COOLANT = 1


@pytest.fixture(params=["alps", "big"])
def outlook(request):
    return request.getfixturevalue(request.param).outlook


def local(seconds: float) -> datetime:
    return datetime.fromtimestamp(float(seconds), tz=UTC).astimezone(CHICAGO)


def parked(line, kind):
    return [span for span in line.spans if span.kind == kind]


# --- segments ---


def test_segments_are_short_and_sum_to_the_route(outlook):
    line, total_m = outlook.timeline, sum(leg.distance_m for leg in outlook.legs)
    assert line.road.length_m.max() <= QUARTER_MILE_M + 1e-6
    assert line.road.length_m.sum() == pytest.approx(total_m, rel=1e-9)
    assert line.end_m[-1] == pytest.approx(total_m, rel=1e-9)
    for number, leg in enumerate(outlook.legs):
        assert line.road.length_m[line.road.leg == number].sum() == pytest.approx(leg.distance_m, rel=1e-9)
    driven = line.drive.speed_m_per_s > 0.0
    np.testing.assert_allclose(line.drive.length_m[driven], line.road.length_m, rtol=1e-9)
    assert np.all(np.diff(line.end_m) >= 0.0)


def test_legs_meet_the_elevations_of_their_places(outlook):
    line, places = outlook.timeline, outlook.trip.places
    for span in line.spans:
        if span.kind == "drive":
            leg = outlook.legs[span.leg]
            want = places[leg.finish].elevation_m if leg.profile is None else leg.profile.elevation_m[-1]
            assert line.end_elevation_m[span.last] == pytest.approx(want, abs=1e-6)


def test_legs_cut_for_another_road_are_the_same(outlook):
    """Bit for bit, also where some legs are new."""
    trip, legs, known = outlook.trip, outlook.legs, outlook.known
    like = cut_road(trip, legs[: len(legs) // 2], known)
    alone, after = cut_road(trip, legs, known), cut_road(trip, legs, known, like=like)
    for name in ("leg", "length_m", "grade", "elevation_m", "lat_deg", "lon_deg", "end_m", "wanted_m_per_s", "ac_on"):
        np.testing.assert_array_equal(getattr(after, name), getattr(alone, name))


def test_a_climb_has_its_grade(make_trip, road):
    up = road("a", "b", 10, speed_m_per_s=20.0, profile=Profile(distance_m=(0, 6000, 12000), elevation_m=(0, 0, 360)))
    cut = cut_road(make_trip([up], places={"b": {"elevation_m": 360.0}}), [up])
    flat, steep = cut.grade[cut.middle_m < 5700], cut.grade[cut.middle_m > 6300]
    assert np.all(flat == 0.0)
    assert steep == pytest.approx(np.tan(np.arcsin(0.06)))  # 360 m over 6 km along the slope


# --- the clock ---


def test_the_clock_runs_on_without_gaps(outlook):
    line = outlook.timeline
    assert line.begin_s[0] == pytest.approx(outlook.timeline.end_s[0] - line.drive.duration_s[0])
    np.testing.assert_allclose(line.begin_s[1:], line.end_s[:-1], atol=1e-4, rtol=0)
    np.testing.assert_allclose(line.end_s - line.begin_s, line.drive.duration_s, atol=1e-4, rtol=0)


def test_spans_follow_each_other_and_cover_every_segment(outlook):
    spans, line = outlook.timeline.spans, outlook.timeline
    assert [s.first for s in spans] == [0, *(s.last + 1 for s in spans[:-1])]
    assert spans[-1].last == len(line.end_s) - 1
    assert [s.leg for s in spans if s.kind == "drive"] == list(range(len(outlook.legs)))
    for span in spans:
        part = slice(span.first, span.last + 1)
        assert np.all((line.drive.speed_m_per_s[part] > 0.0) == (span.kind == "drive"))
        assert np.all(line.drive.group[part] == span.leg)
        assert np.all(line.drive.day[part] == span.day)


def test_nights_halts_and_the_last_stop_are_there(big):
    line, trip = big.outlook.timeline, big.outlook.trip
    assert len(parked(line, "night")) == len(line.days) - 1 > 5
    assert parked(line, "end")[0].last == len(line.end_s) - 1
    halts = parked(line, "halt")
    assert [span.place for span in halts] == [halt.place for halt in trip.halts]
    for span, halt in zip(halts, trip.halts, strict=True):
        part = slice(span.first, span.last + 1)
        assert line.drive.duration_s[part].sum() == pytest.approx(halt.duration_s)
        assert np.all(line.drive.engine_on[part] == float(halt.engine_on))


def test_the_engine_rests_overnight_and_runs_on_the_road(outlook):
    line = outlook.timeline
    for span in line.spans:
        part = slice(span.first, span.last + 1)
        if span.kind == "drive":
            assert np.all(line.drive.engine_on[part] == 1.0)
        elif span.kind in ("night", "end"):
            assert np.all(line.drive.engine_on[part] == 0.0)
            assert np.all(line.drive.ac_on[part] == 0.0)


def test_every_day_of_the_worked_example_starts_at_its_local_hour(big):
    # 07:00 on 6 July in the Eastern zone; later days 07:30 in the zone of the place, Central, Mountain, Pacific.
    line, legs = big.outlook.timeline, big.outlook.legs
    zones = {"asheville-nc": "America/New_York", "memphis-tn": "America/Chicago"}
    zones |= {"trinidad-co": "America/Denver", "pendleton-or": "America/Los_Angeles"}
    seen = set()
    for number, day in enumerate(line.days[1:], start=1):
        key = legs[day.first].start
        if key in zones:
            begin = line.begin_s[next(s.first for s in line.spans if s.day == number and s.kind == "drive")]
            assert datetime.fromtimestamp(begin, tz=ZoneInfo(zones[key])).strftime("%H:%M") == "07:30"
            seen.add(key)
    assert seen == set(zones)
    assert datetime.fromtimestamp(line.begin_s[0], tz=ZoneInfo("America/New_York")) == datetime(
        2027, 7, 6, 7, tzinfo=ZoneInfo("America/New_York")
    )


def test_the_night_of_the_time_change_is_an_hour_shorter(make_trip, road, car):
    # USA, 14 March 2027, the second Sunday of March: 02:00 becomes 03:00 (15 USC 260a).
    legs = [road("a", "b", 180), road("b", "c", 180)]
    rules = {"day": {"driving_s": 4 * 3600.0}}
    nights = {}
    for day in (12, 13):
        line = build_timeline(make_trip(legs, departure=datetime(2027, 3, day, 9), **rules), legs, car)
        (night,) = parked(line, "night")
        nights[day] = line.end_s[night.last] - line.begin_s[night.first]
        assert local(line.end_s[night.last]).strftime("%H:%M") == "08:00"
    assert nights[12] == pytest.approx(20 * 3600.0, abs=1.0)
    assert nights[13] == pytest.approx(19 * 3600.0, abs=1.0)


def test_driving_through_the_time_change(make_trip, road, car):
    # Off at 01:30, two hours later the clock says 04:30.
    legs = [road("a", "b", 120)]
    line = build_timeline(make_trip(legs, departure=datetime(2027, 3, 14, 1, 30)), legs, car)
    (span,) = (s for s in line.spans if s.kind == "drive")
    assert local(line.end_s[span.last]).strftime("%H:%M") == "04:30"


def test_a_halt_holds_up_the_rest_of_the_day(make_trip, road, car):
    legs = [road("a", "b", 60), road("b", "c", 60)]
    line = build_timeline(make_trip(legs, halts=(Halt(place="b", duration_s=1200.0, engine_on=True),)), legs, car)
    assert [s.kind for s in line.spans] == ["drive", "halt", "drive", "end"]
    assert local(line.end_s[line.spans[1].last]).strftime("%H:%M") == "09:20"
    assert local(line.end_s[line.spans[2].last]).strftime("%H:%M") == "10:20"


def test_across_the_date_line(make_trip, road, car):
    """Taveuni, Fiji, lies on both sides of 180 degrees; the road does not go round the world."""
    places = {"p0": {"lat_deg": -16.80, "lon_deg": 179.99}, "p1": {"lat_deg": -16.85, "lon_deg": -179.95}}
    legs = [road("p0", "p1", 10)]
    trip = make_trip(legs, places=places)
    line = build_timeline(trip, legs, car)
    away = np.minimum(np.abs(line.lon_deg - 180.0), np.abs(line.lon_deg + 180.0))
    assert np.all(away < 0.1)
    assert line.end_m[-1] == pytest.approx(legs[0].distance_m)


def test_into_winter(make_trip, road, car):
    """A December start at 60 degrees north: six hours of daylight, cold air, everything still a number."""
    places = {
        key: {"lat_deg": 60.0 + 0.5 * n, "lon_deg": 10.0, "high_k": 265.0, "low_k": 255.0}
        for n, key in enumerate(("p0", "p1"))
    }
    legs = [road("p0", "p1", 60)]
    trip = make_trip(legs, places=places, departure=datetime(2027, 12, 21, 10))
    line = build_timeline(trip, legs, car)
    assert line.drive.air_k.max() < 266.0
    assert np.all(np.isfinite(line.drive.dew_k))


# --- speed ---


def test_a_heavy_car_slows_on_a_grade_and_says_so(make_trip, road, car):
    rise = Profile(distance_m=(0, 10000, 20000, 30000), elevation_m=(1000, 1000, 1800, 1800))
    legs = [road("a", "b", 20, profile=rise)]
    trip = make_trip(legs, places={"a": {"elevation_m": 1000.0}, "b": {"elevation_m": 1800.0}})
    light = build_timeline(trip, legs, car)
    heavy = build_timeline(trip, legs, replace(car, body=replace(car.body, mass_kg=7000.0)))
    assert not light.slowed.any()
    assert heavy.slowed.any()
    middle_m = heavy.end_m - 0.5 * heavy.drive.length_m
    assert np.all((middle_m[heavy.slowed] > 9800) & (middle_m[heavy.slowed] < 20200))
    assert np.all(heavy.drive.speed_m_per_s[heavy.slowed] < 25.0 - 0.2)
    ahead = (middle_m < 9500) & (heavy.drive.speed_m_per_s > 0)
    assert heavy.drive.speed_m_per_s[ahead] == pytest.approx(25.0)
    driven = next(s for s in heavy.spans if s.kind == "drive").last
    assert heavy.end_s[driven] - heavy.begin_s[0] > 20 * 60 + 60
    assert heavy.road.length_m.sum() == pytest.approx(30000.0)


def test_the_speed_held_needs_no_more_than_the_engine_has(make_trip, road, car):
    # Rated power bounds the speed on a steady grade whatever the gears: P > m g sin(a) v (work against gravity alone).
    rise = Profile(distance_m=(0, 30000), elevation_m=(0, 2100))
    legs = [road("a", "b", 20, profile=rise)]
    heavy = replace(car, body=replace(car.body, mass_kg=7000.0))
    line = build_timeline(make_trip(legs, places={"b": {"elevation_m": 2100.0}}), legs, heavy)
    speed = line.drive.speed_m_per_s[line.drive.speed_m_per_s > 0]
    assert speed.max() < car.engine.peak_power_w / (7000.0 * 9.81 * 0.07)
    assert speed[-1] < speed[0]  # thinner air, less power


# --- warm-up, soak, cold start ---


def test_mornings_start_near_the_air_s_temperature(outlook):
    # Within 8 K: under a closed bonnet the engine follows the falling air of a clear mountain night some hours late.
    line, temps = outlook.timeline, outlook.nominal.temps_k[0]
    nights = [s for s in parked(line, "night") if line.end_s[s.last] - line.begin_s[s.first] > 8 * 3600]
    assert nights
    for night in nights:
        assert temps[night.last, 1:5] == pytest.approx(line.drive.air_k[night.last], abs=8.0)


def test_the_coolant_rises_after_the_engine_stops(outlook):
    # Heat of the block goes into coolant that no longer flows (heat soak). The rise is over within half an hour, and
    # the car is cooler in the morning than on arriving.
    line, temps = outlook.timeline, outlook.nominal.temps_k[0]
    rises = []
    for stop in parked(line, "night"):
        arriving = temps[stop.first - 1, COOLANT]
        parked_k = temps[stop.first : stop.last + 1, COOLANT]
        hottest = stop.first + int(parked_k.argmax())
        rises.append(parked_k.max() - arriving)
        assert line.end_s[hottest] - line.begin_s[stop.first] <= 1800.0
        assert parked_k[-1] < arriving - 20.0
    assert min(rises) > 0.0
    assert max(rises) < 15.0  # common practice: a few kelvin, up to 15 after a hard climb


def test_air_is_hottest_in_the_afternoon_and_coolest_at_dawn(make_trip, road, car):
    # Usual highs fall two to five hours after solar noon (common practice); Kansas in July: solar noon about 13:35.
    legs = [road("a", "b", 120), road("b", "c", 120), road("c", "d", 120)]
    trip = make_trip(legs, day={"driving_s": 3 * 3600.0, "start": time(7, 30)})
    line = build_timeline(trip, legs, car)
    (first, _) = parked(line, "night")
    part = slice(first.first, first.last + 1)
    coolest = local(line.end_s[part][line.drive.air_k[part].argmin()])
    assert 5 <= coolest.hour <= 7
    assert line.drive.air_k.max() <= 303.15 + 0.1
    assert line.drive.air_k.min() >= 288.15 - 0.6


def test_a_leg_without_air_conditioning_regains_the_speed_the_compressor_costs(make_trip, road, car):
    # Up 10 % at full power the car holds the speed at which power meets load; without the compressor it is faster, by
    # no more than if all the condenser gives off, the compressor's power among it, lifted it: dv <= P / (m g sin).
    # Six kilometres, in one gear throughout: where a gear ends, both hold its highest speed.
    slope = Profile(distance_m=(0.0, 6000.0), elevation_m=(0.0, 600.0))
    up = road("a", "b", 10 / 3, speed_m_per_s=30.0, profile=slope)
    loaded = replace(car, trailer=replace(car.trailer, mass_kg=1500.0, drag_area_m2=1.0))

    def held(leg_ac: bool | None, *, trip_ac: bool) -> np.ndarray:
        leg = replace(up, air_conditioning=leg_ac)
        trip = make_trip([leg], places={"b": {"elevation_m": 600.0}}, air_conditioning=trip_ac)
        line = build_timeline(trip, [leg], loaded)
        return line.drive.speed_m_per_s[line.drive.speed_m_per_s > 0.0]

    on, off = held(None, trip_ac=True), held(None, trip_ac=False)
    assert on.max() < 30.0
    weight_n = (loaded.body.mass_kg + 1500.0) * 9.81 * 0.10
    assert (off - on).min() > 0.0
    assert 0.1 < np.median(off - on) <= (off - on).max() < loaded.cooling.condenser_heat_w / weight_n
    np.testing.assert_array_equal(held(False, trip_ac=True), off)
    np.testing.assert_array_equal(held(True, trip_ac=False), on)
