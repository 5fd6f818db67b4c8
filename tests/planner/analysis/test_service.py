"""Service on the way: ageing by the halving rule, jobs before they fall due, where they can be done."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from rules import outlook_of, with_trip

from planner.analysis.service import Due, ageing, carry, plan_service
from planner.forecast.run import Forecast
from planner.model.trip import ServiceItem
from thermal.fluids import fluid_of
from thermal.units import to_si

MILE_M = 1609.344


@pytest.fixture(scope="module")
def outlook(make_trip, road, car) -> Forecast:
    """Three days of 3 x 90 km; a workshop at c (day 1), f (day 2); nights at d and g."""
    keys = "abcdefghij"
    services = {"c": {"workshop"}, "d": {"lodging"}, "f": {"workshop", "fuel"}, "g": {"lodging"}, "h": {"fuel"}}
    places = {k: {"services": frozenset(services.get(k, ())), "lon_deg": -98.0 + 0.9 * i} for i, k in enumerate(keys)}
    legs = [road(a, b, 60.0) for a, b in itertools.pairwise(keys)]
    return outlook_of(make_trip(legs, places=places, day={"driving_s": 3.5 * 3600.0}, nights=("d", "g")), car)


def jobs(outlook: Forecast, item: ServiceItem) -> tuple[Due, ...]:
    return plan_service(with_trip(outlook, service=(item,))).due


def arrival_m(outlook: Forecast, job: Due) -> float:
    return float(sum(leg.distance_m for leg in outlook.legs[: job.leg + 1]))


def used_m(outlook: Forecast, fluid: str = "") -> np.ndarray:
    """Distance weighted by ageing, along the trip, by the rule itself."""
    length = np.diff(np.concatenate(([0.0], outlook.timeline.end_m)))
    if not fluid:
        return np.cumsum(length)
    temp_k = outlook.nominal.temps_k[0, :, fluid_of(fluid).node]
    return np.cumsum(length * ageing(temp_k, fluid))


# --- ageing ---


@pytest.mark.parametrize(
    ("temp", "miles"), [(175, 100_000), (195, 50_000), (215, 25_000), (235, 12_500), (255, 6250), (275, 3125)]
)
def test_automatic_fluid_lasts_half_as_long_per_twenty_degrees(temp, miles):
    # 100,000 mi at 175 degF, halved per 20 degF: waynesgarage.com quoting a rebuilders' association; a folk rule.
    rate = float(ageing(np.array([to_si(f"{temp} degF", "K")]), "transmission")[0])
    assert 100_000 / rate == pytest.approx(miles, rel=0.01)  # 11.1 K is taken for 20 degF = 11.11 K


@pytest.mark.parametrize("fluid", ["engine_oil", "transmission", "differential"])
def test_ageing_doubles_per_step_and_cool_running_is_not_credited(fluid):
    temps = np.arange(250.0, 430.0, 1.0)
    rate = ageing(temps, fluid)
    assert np.all(rate >= 1.0)
    assert np.all(np.diff(rate) >= 0.0)
    rising = rate > 1.0
    # "Rule of ten" for oils: twice per 10 to 15 K; common practice.
    steps = np.log(2.0) / np.diff(np.log(rate[rising]))
    assert np.ptp(steps) < 1e-6
    assert 10.0 <= steps[0] <= 15.0


# --- when and where ---


def test_a_job_is_done_before_it_falls_due_at_a_workshop_or_a_night(outlook):
    # Workshop at 180 km, night at 270, workshop at 450, night at 540; nothing where e is, at 360.
    for every_km, place in ((260, "c"), (440, "d"), (530, "f"), (560, "g")):
        job = jobs(outlook, ServiceItem(item="oil", every_m=every_km * 1e3))[0]
        assert job.place == place
        assert job.words == f"oil at {place.upper()}"
        assert arrival_m(outlook, job) <= job.at_m <= every_km * 1e3 + 500.0


@pytest.mark.parametrize("every_km", [330.0, 400.0, 500.0, 600.0, 700.0, 800.0])
@pytest.mark.parametrize("fluid", ["", "engine_oil", "transmission", "differential"])
def test_no_interval_is_ever_longer_than_it_should_be(outlook, every_km, fluid):
    # Fitting places lie 90 to 270 km apart, so each can be kept: from the last time before the start (60 km before it)
    # to every job where it is done, not where it falls due, and on to the finish.
    found = jobs(outlook, ServiceItem(item="job", every_m=every_km * 1e3, since_m=60e3, fluid=fluid))
    used, ends = used_m(outlook, fluid), outlook.timeline.end_m
    done = [float(used[np.flatnonzero(ends <= arrival_m(outlook, job) + 1.0)[-1]]) for job in found]
    ways = np.diff([-60e3, *done, used[-1]])
    assert np.all(ways > 0.0)  # in driving order
    assert np.all(ways <= every_km * 1e3 + 500.0)  # a segment is up to a quarter mile long


def test_hot_running_brings_a_job_forward_and_never_back(outlook):
    hot = replace(outlook.nominal, temps_k=outlook.nominal.temps_k + 35.0)
    item = ServiceItem(item="transmission fluid", every_m=600e3, fluid="transmission")
    cold = replace(outlook.nominal, temps_k=outlook.nominal.temps_k - 60.0)
    plain = jobs(outlook, replace(item, fluid=""))
    as_is, hotter = jobs(outlook, item), jobs(replace(outlook, nominal=hot), item)
    assert jobs(replace(outlook, nominal=cold), item)[0].at_m == plain[0].at_m
    assert hotter[0].at_m < as_is[0].at_m <= plain[0].at_m
    assert "hot running ages it" in hotter[0].words
    assert "hot running" not in plain[0].words
    assert len(hotter) >= len(as_is)


def test_the_mark_is_where_the_distance_is_used_up(outlook):
    job = jobs(outlook, ServiceItem(item="oil", every_m=400e3, since_m=100e3))[0]
    assert job.at_m == pytest.approx(300e3, abs=500.0)
    job = jobs(outlook, ServiceItem(item="oil", every_m=500e3, since_m=100e3, fluid="engine_oil"))[0]
    used, ends = used_m(outlook, "engine_oil"), outlook.timeline.end_m
    assert job.at_m == pytest.approx(float(np.interp(400e3, used, ends)), abs=500.0)


def test_what_was_overdue_is_done_at_the_first_fitting_place(outlook):
    found = jobs(outlook, ServiceItem(item="oil", every_m=1000e3, since_m=3000e3))
    assert [job.place for job in found] == ["c"]


def test_months_count_too(outlook):
    assert jobs(outlook, ServiceItem(item="brake fluid", months=24.0, since_months=20.0)) == ()
    # A day and a half left, of months of 30.44 days: that is in the second night. Half a day: in the first.
    for left_days, place in ((1.5, "g"), (0.5, "d"), (-180.0, "c")):
        since = 24.0 - left_days / 30.44
        (job,) = jobs(outlook, ServiceItem(item="brake fluid", months=24.0, since_months=since))
        assert job.place == place
    # Distance and time: what comes first, and both begin afresh where it was done.
    first, second = jobs(outlook, ServiceItem(item="x", every_m=530e3, months=24.0, since_months=24.0 - 0.5 / 30.44))
    assert first.place == "d"
    assert second.at_m == pytest.approx(270e3 + 530e3, abs=500.0)


def test_no_workshop_and_no_night_is_still_a_place(make_trip, road, car):
    trip = make_trip([road("a", "b", 60.0), road("b", "c", 60.0), road("c", "d", 60.0)], day={"break_s": 0.0})
    found = jobs(outlook_of(trip, car), ServiceItem(item="wheel nut", every_m=100e3))
    assert [job.place for job in found] == ["b", "c"]  # every 90 km: the last place before each 100 km


def test_without_a_list_common_practice_is_taken_as_done_at_the_start(outlook):
    plan = plan_service(outlook)
    assert plan.assumed
    names = {job.item for job in plan.due} | set(plan.clear)
    assert {"engine oil and filter", "brake fluid", "coolant"} <= names
    # 810 km: only the look at the wheel nuts, every 500 mi, is due.
    assert {job.item for job in plan.due} == {"wheel nut torque, hitch and lights"}
    given = plan_service(with_trip(outlook, service=(ServiceItem(item="x", every_m=1e9),)))
    assert not given.assumed
    assert (given.due, given.clear) == ((), ("x",))


def test_what_to_carry_fits_the_car(car):
    solo, towing = carry(car), carry(replace(car, trailer=replace(car.trailer, kind="utility", mass_kg=400.0)))
    assert len(set(towing) - set(solo)) == 1
    assert any("trailer" in thing for thing in towing)
    assert any("gearbox oil" in thing for thing in solo)
    gearbox = replace(car.gearbox, kind="automatic", stall_speed_rad_per_s=200.0)
    assert any("automatic transmission fluid" in thing for thing in carry(replace(car, gearbox=gearbox)))
