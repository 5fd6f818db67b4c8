"""Fuel: what the engine burns, how far a tank goes, and the fewest stops, checked by trying every set of stops."""

import itertools
import string
from dataclasses import replace

import numpy as np
import pytest
from cars import with_part
from rules import outlook_of

from planner.analysis.fuel import FuelPlan, fuel_l, gap_words, plan_fuel
from planner.forecast.run import Forecast
from planner.model.trip import Halt
from thermal.simulate import simulate


@pytest.fixture(scope="module")
def drive(make_trip, road, car):
    """`drive([20, 30], sells="b", tank_l=40)`: legs by minutes, names of places that sell fuel, the tank."""

    def make(minutes, *, sells="", tank_l=70.0, halts=(), **car_changes) -> Forecast:
        names = string.ascii_lowercase[: len(minutes) + 1]
        legs = [road(a, b, m) for (a, b), m in zip(itertools.pairwise(names), minutes, strict=True)]
        places = {
            name: {"services": frozenset({"fuel"} if name in sells else ()), "lon_deg": -98.0 + 0.01 * i}
            for i, name in enumerate(names)
        }
        day = {"driving_s": 24 * 3600.0, "daylight": False, "break_s": 0.0}
        stands = tuple(Halt(place=name, duration_s=600.0, engine_on=False) for name in halts)
        vehicle = with_part(car, "tank", capacity_m3=tank_l / 1000.0, reserve=0.25)
        return outlook_of(make_trip(legs, places=places, day=day, halts=stands), replace(vehicle, **car_changes))

    return make


def usable_l(outlook: Forecast) -> float:
    tank = outlook.car.vehicle.tank
    return tank.capacity_m3 * 1000.0 * (1.0 - tank.reserve)


def with_wind(outlook: Forecast, headwind_m_per_s: float) -> Forecast:
    drive = outlook.timeline.drive
    windy = replace(drive, headwind_m_per_s=np.full_like(drive.air_k, headwind_m_per_s))
    route = replace(outlook.route, timeline=replace(outlook.timeline, drive=windy))
    return replace(outlook, route=route, nominal=simulate(windy, outlook.car.vehicle))


# --- how much ---


def test_petrol_burnt_times_its_heating_value_is_the_energy_fed(drive):
    # Petrol: 43 MJ/kg and 0.745 kg/L, so 32 MJ/L; R. Bosch, Automotive Handbook (from memory). With a tenth of ethanol
    # at the pump 3 % less; common practice.
    outlook = drive([60.0])
    span = outlook.timeline.spans[0]
    part = slice(span.first, span.last + 1)
    energy = np.sum(outlook.nominal.work.fuel_w[part] * outlook.timeline.drive.duration_s[part])
    assert energy / fuel_l(outlook, 0) == pytest.approx(0.97 * 32.0e6, rel=0.02)


def range_km(outlook: Forecast) -> float:
    return usable_l(outlook) * outlook.legs[0].distance_m / 1000.0 / fuel_l(outlook, 0)


def test_range_shrinks_with_load_and_headwind(drive, car):
    # "+10-20 % on grade, heat, headwind": common practice, no source.
    plain = drive([60.0])
    loaded = drive([60.0], trailer=replace(car.trailer, mass_kg=600.0, drag_area_m2=0.5))
    heavy = drive([60.0], body=replace(car.body, mass_kg=car.body.mass_kg + 300.0))
    ranges = [range_km(with_wind(plain, speed)) for speed in (-5.0, 0.0, 5.0, 10.0)]
    assert ranges == sorted(ranges, reverse=True)
    assert 1.05 < ranges[1] / ranges[2] < 1.35  # 5 m/s against 25 m/s
    assert range_km(loaded) < 0.9 * range_km(plain)
    assert range_km(heavy) < range_km(plain)


def test_climbing_burns_more_than_the_level(make_trip, road, car):
    level = outlook_of(make_trip([road("a", "b", 30.0)]), car)
    climb = outlook_of(make_trip([road("a", "b", 30.0)], places={"b": {"elevation_m": 1000.0}}), car)
    more_l = fuel_l(climb, 0) - fuel_l(level, 0)
    # m g h at 25 to 40 % of brake efficiency, in litres of 32 MJ; the mass is the car's.
    lift = car.body.mass_kg * 9.81 * 1000.0 / 32.0e6
    assert lift / 0.42 < more_l < lift / 0.22


# --- where ---


def feasible(burnt: list[float], stops: tuple[int, ...], usable: float) -> bool:
    edges = [-1, *stops, len(burnt) - 1]
    return all(sum(burnt[a + 1 : b + 1]) <= usable for a, b in itertools.pairwise(edges))


def best_by_trying(outlook: Forecast) -> tuple[int, int] | None:
    """Fewest stops, and of those the most at which the car stands anyway; None when no set of stops will do."""
    burnt = [fuel_l(outlook, i) for i in range(len(outlook.legs))]
    sells = [i for i, leg in enumerate(outlook.legs[:-1]) if "fuel" in outlook.trip.places[leg.finish].services]
    pauses = {span.leg for span in outlook.timeline.spans if span.kind in ("halt", "break", "night")}
    for count in range(len(sells) + 1):
        sets = [s for s in itertools.combinations(sells, count) if feasible(burnt, s, usable_l(outlook))]
        if sets:
            return count, max(len(pauses & set(s)) for s in sets)
    return None


TANKS = {"minutes": [22.0, 34.0, 10.0, 46.0, 26.0, 38.0, 14.0, 42.0], "sells": "bcdefgh", "halts": "ceg"}
CASES = {
    "one tank does": {"minutes": [20.0] * 6, "sells": "bcdef", "tank_l": 70.0},
    "every place sells": {"minutes": [20.0] * 10, "sells": "bcdefghij", "tank_l": 15.0},
    "few sell": {"minutes": [25.0, 15.0, 30.0, 20.0, 10.0, 35.0, 20.0, 15.0], "sells": "bdfh", "tank_l": 20.0},
    "a handy place too early": {"minutes": [65.0, 22.0, 80.0], "sells": "bc", "tank_l": 16.0, "halts": "b"},
    "a handy place as good": {"minutes": [30.0, 15.0, 15.0, 30.0], "sells": "bcd", "tank_l": 12.0, "halts": "c"},
    # None makes more stops than needed, whatever the tank.
    **{f"tank of {n} L": {**TANKS, "tank_l": n} for n in (10.0, 11.0, 13.0, 16.0, 21.0, 30.0, 45.0)},
    "uneven": {"minutes": [7.0, 41.0, 13.0, 29.0, 5.0, 37.0, 11.0, 23.0, 17.0], "sells": "cdefgi", "tank_l": 13.0},
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_no_set_of_stops_is_smaller(drive, case):
    outlook = drive(**case)
    plan = plan_fuel(outlook)
    assert plan.gaps == ()
    stops = tuple(stop.leg for stop in plan.stops)
    pauses = {span.leg for span in outlook.timeline.spans if span.kind == "halt"}
    assert (len(stops), len(pauses & set(stops))) == best_by_trying(outlook)
    check_books(outlook, plan)


def check_books(outlook: Forecast, plan: FuelPlan) -> None:
    """What is in the tank, leg by leg: full at the start and after each stop, never planned on the reserve."""
    assert plan.total_l == pytest.approx(sum(fuel_l(outlook, leg) for leg in range(len(outlook.legs))))
    full = outlook.car.vehicle.tank.capacity_m3 * 1000.0
    left, stops = full, {stop.leg: stop for stop in plan.stops}
    for leg in range(len(outlook.legs)):
        left -= fuel_l(outlook, leg)
        assert left >= full - usable_l(outlook) - 1e-9
        if leg in stops:
            assert "fuel" in outlook.trip.places[stops[leg].place].services
            assert stops[leg].left_l == pytest.approx(left)
            assert stops[leg].litres == pytest.approx(full - left)
            left = full


# --- gaps ---


def test_a_stretch_no_tankful_covers_is_told(drive):
    outlook = drive([20.0, 60.0, 60.0, 20.0], sells="bd", tank_l=12.0)
    plan = plan_fuel(outlook)
    (gap,) = plan.gaps
    said = gap_words(outlook, gap)
    burnt = fuel_l(outlook, 1) + fuel_l(outlook, 2)
    assert burnt > usable_l(outlook)
    assert said.startswith(f"From B to D the car needs {burnt:.0f} L")
    assert f"usable tank is {usable_l(outlook):.0f} L" in said
    # It sets out full from the last place that sells, and fills up at the first after.
    assert [stop.place for stop in plan.stops] == ["b", "d"]
    assert plan.stops[-1].left_l == pytest.approx(max(12.0 - burnt, 0.0))
    assert plan.stops[-1].litres <= 12.0


@pytest.mark.parametrize(
    ("minutes", "sells", "tank_l", "stops", "gaps"),
    [
        ([20.0, 60.0, 60.0], "b", 12.0, ["b"], [("b", "d")]),  # a finish out of reach is a gap and no stop
        ([60.0, 60.0], "", 12.0, [], [("a", "c")]),  # no place with fuel at all
        ([50.0, 50.0], "bc", 14.0, ["b"], []),  # no stop at the finish
    ],
)
def test_gaps_and_stops(drive, minutes, sells, tank_l, stops, gaps):
    plan = plan_fuel(drive(minutes, sells=sells, tank_l=tank_l))
    assert [stop.place for stop in plan.stops] == stops
    assert [(gap.start, gap.finish) for gap in plan.gaps] == gaps


def test_a_long_way_to_the_next_pump_is_tight(drive):
    # Common practice, no source: half again the gap should fit into the tank.
    outlook = drive([40.0, 20.0, 60.0, 40.0], sells="bcd", tank_l=14.0)
    stops = plan_fuel(outlook).stops
    assert [stop.tight for stop in stops] == [1.5 * stop.ahead_l > usable_l(outlook) for stop in stops]
    assert {stop.tight for stop in stops} == {True, False}


def test_the_worked_example_never_plans_on_its_reserve(big):
    plan = plan_fuel(big.outlook)
    assert plan == big.fuel
    assert plan.gaps == ()
    check_books(big.outlook, plan)
