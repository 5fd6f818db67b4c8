"""Hard use: a lap's energy closes, heat and blocked air cost laps, and counts agree with driving lap by lap."""

import io
import json
import re
from dataclasses import replace
from datetime import date, time
from pathlib import Path

import numpy as np
import pytest
from cars import energy_left_open
from rich.console import Console
from rules import with_trip

from planner.analysis.alarm_words import caution_lines
from planner.analysis.service import AFTER_SESSION, plan_service
from planner.files.folder import open_folder
from planner.files.sessionfile import (
    LAP_COLUMNS,
    LAP_KEYS,
    PIT_KEYS,
    SESSION_KEYS,
    TOP_KEYS,
    LapNumbers,
    LapTable,
    Setup,
    read_session,
)
from planner.forecast.assemble import Inputs
from planner.laps import run as session
from planner.laps.alarms import gauge_alarms
from planner.laps.lap import LONGEST_S, full_power, trace_of_numbers, trace_of_table
from planner.laps.show import due_after, session_dict, tables
from planner.laps.stints import PAD_LIMIT_K, ROTOR, Layout, make_case
from planner.model.display import units_of
from planner.model.errors import PlannerError, TripError
from planner.model.trip import SessionPlace
from planner.output.write import to_json
from planner.weather.sources import NO_WEATHER
from thermal.brakes import FRONT_SHARE
from thermal.discrepancy import conditions_of, scale_k
from thermal.error_path import with_error
from thermal.fluids import FLUID_NODES, N_FLUID, ROTORS, fluid_of
from thermal.kernel import Factors
from thermal.loads import compute_loads, extras_w
from thermal.simulate import simulate
from thermal.spread import SEED, draw
from thermal.vehicle import Vehicle

NOON = time(12)
G = 9.80665
HARD = LapNumbers(length_m=4000.0, time_s=150.0, full_load=0.55, corner_m_per_s=18.0, climb_m=0.0)


def setup_of(**more) -> Setup:
    plain = {
        "name": "Somewhere",
        "place": "",
        "elevation_m": 200.0,
        "on": date(2027, 7, 10),
        "first": time(9),
        "last": time(12),
        "air": ((NOON, 298.15),),
        "pads": "track",
        "lap": HARD,
        "airflow": 1.0,
        "back_m_per_s": None,
        "wait_s": 0.0,
        "laps": 4,
        "sessions": 2,
        "out_lap": 0.7,
        "in_lap": 0.6,
        "pit_s": 1200.0,
        "pit_idle": False,
        "assumptions": (),
    }
    return Setup(**plain | more)


@pytest.fixture(scope="module")
def opened(copy_example, tmp_path_factory):
    """The Alps: folder, trip, car."""
    folder = copy_example("alps", tmp_path_factory.mktemp("session") / "trip")
    return folder, *open_folder(folder)


@pytest.fixture(scope="module")
def inputs(opened) -> Inputs:
    return Inputs(trip=opened[1], car=opened[2], known=NO_WEATHER)


@pytest.fixture(scope="module")
def vehicle(inputs) -> Vehicle:
    return inputs.car.vehicle


@pytest.fixture(scope="module")
def case_of(inputs):
    """`case_of(airflow=0.6)`: the diesel on a made-up course."""
    return lambda **more: make_case(setup_of(**more), inputs, draws=32)


# --- laps ---


def test_a_table_s_lap_keeps_length_time_and_turning_points():
    # by hand: 20 to 40 m/s over 300 m takes 2*300/60 = 10 s, down again over 150 m 5 s, then 10 s at 20 m/s
    table = LapTable(
        distance_m=(0.0, 300.0, 450.0, 650.0), speed_m_per_s=(20.0, 40.0, 20.0, 20.0), grade=(0.04, 0.0, -0.06, 0.0)
    )
    lap = trace_of_table(table)
    assert lap.length_m == pytest.approx(650.0, rel=1e-12)
    assert lap.time_s == pytest.approx(25.0, rel=1e-12)
    assert 40.0 in np.round(lap.end_m_per_s, 9)
    assert lap.duration_s.max() <= LONGEST_S + 1e-9
    rise = 300.0 * np.sin(np.arctan(0.04)) - 200.0 * np.sin(np.arctan(0.06))
    assert lap.rises_m.sum() == pytest.approx(rise, rel=1e-9)


def test_points_set_close_together_are_joined_without_losing_a_stop():
    way = np.arange(0.0, 1001.0, 5.0)
    speed = 20.0 + 10.0 * np.sin(2.0 * np.pi * way / 250.0)
    lap = trace_of_table(LapTable(distance_m=tuple(way), speed_m_per_s=tuple(speed), grade=(0.0,) * len(way)))
    assert len(lap.duration_s) < 0.5 * len(way)
    changes = np.diff(np.concatenate(([lap.begin_m_per_s], lap.end_m_per_s)) ** 2)
    braked = -changes[changes < 0.0].sum()
    assert braked == pytest.approx(4.0 * (30.0**2 - 10.0**2), rel=0.02)  # four times from 30 to 10 m/s


@pytest.mark.parametrize(("share", "corner"), [(0.35, 15.0), (0.5, 18.0), (0.6, 22.0)])
def test_a_made_lap_has_the_length_time_and_share_asked_for(vehicle, share, corner):
    asked = replace(HARD, full_load=share, corner_m_per_s=corner, length_m=3800.0)
    lap = trace_of_numbers(asked, vehicle, elevation_m=200.0, air_k=298.15)
    assert lap.length_m == pytest.approx(3800.0, rel=1e-6)
    assert lap.time_s == pytest.approx(150.0, rel=1e-9)
    before = np.concatenate(([lap.begin_m_per_s], lap.end_m_per_s[:-1]))
    pulling = lap.end_m_per_s > before + 1e-9
    assert lap.duration_s[pulling].sum() / lap.time_s == pytest.approx(share, rel=1e-9)
    assert lap.end_m_per_s.min() == pytest.approx(corner, rel=0.25)  # as near as whole corners allow


def test_the_engine_is_at_full_load_for_the_share_asked_for(case_of):
    full, short = session.load_shares(case_of())
    assert full == pytest.approx(HARD.full_load, abs=0.08)
    assert short < 0.1


def test_full_power_gains_speed_as_the_rated_power_allows(vehicle):
    # kinetic energy gained cannot exceed rated power times time; from 15 to 35 m/s on the level
    power = full_power(vehicle, grade=0.0, elevation_m=0.0, air_k=298.15)
    took = float(np.diff(np.interp([15.0, 35.0], power.speed_m_per_s, power.time_s))[0])
    energy = 0.5 * vehicle.body.mass_kg * (35.0**2 - 15.0**2)
    assert energy < vehicle.engine.peak_power_w * took < 1.8 * energy


def test_a_lap_no_car_of_its_power_could_drive_is_refused_with_what_it_could(vehicle):
    with pytest.raises(PlannerError, match=r"covers .* to .* m, not 12,000 m"):
        trace_of_numbers(replace(HARD, length_m=12000.0), vehicle, elevation_m=0.0, air_k=298.0)


# --- energy ---


def test_over_a_closed_lap_the_crank_s_work_is_drag_rolling_losses_and_brakes(case_of):
    # Speed comes back to where it was, so what went in as kinetic energy came out: no term of it is left.
    table = LapTable(
        distance_m=(0.0, 300.0, 450.0, 900.0, 1100.0, 1300.0),
        speed_m_per_s=(15.0, 24.0, 14.0, 25.0, 15.0, 15.0),
        grade=(0.0,) * 6,
    )
    case = case_of(lap=table)
    drive = case.drive(Layout(case, NOON).laps([0, 1]))
    lap = drive.take(slice(len(case.lap.duration_s), None))
    loads, work = compute_loads(case.vehicle, drive)
    rows = drive.group == 1

    def joule(power):
        return float(np.sum((power * drive.duration_s)[rows]))

    body = case.vehicle.body
    pressure = 101325.0 * (1.0 - 0.0065 * 200.0 / 288.15) ** 5.2559  # standard atmosphere
    humid_pa = 611.2 * np.exp(17.62 * 22.85 / (243.12 + 22.85))  # WMO's Magnus formula; dew point assumed 2 K below
    density = (pressure - 0.378 * humid_pa) / (287.05 * 298.15)
    rolling = body.mass_kg * G * body.rolling_coefficient * float(np.sum(lap.length_m))
    drag = 0.5 * density * body.drag_area_m2 * float(np.sum(lap.speed_m_per_s**2 * lap.length_m))
    losses = joule(loads.axle_w + loads.axle_spin_w + loads.gearbox_w + loads.gearbox_spin_w)
    brakes = joule(loads.rotor_w) / FRONT_SHARE
    assert brakes == pytest.approx(joule(work.brake_w))
    left = joule(work.crank_w) - joule(extras_w(case.vehicle, drive)) - losses - brakes
    assert left == pytest.approx(rolling + drag, rel=3e-4)  # Magnus formulas differ by so much
    assert brakes > 0.3 * (rolling + drag)


def test_the_heat_of_a_session_closes(case_of):
    case = case_of()
    drive, result = case.run(Layout(case, NOON).from_road(3))
    assert energy_left_open(result, drive, case.vehicle) < 1e-6


def test_one_hard_stop_heats_the_rotors_by_its_kinetic_energy(case_of):
    # From 40 to 15 m/s: front share of the kinetic energy, less what drag, rolling and the engine take.
    way, speed = (0.0, 800.0, 920.0, 1400.0), (15.0, 40.0, 15.0, 15.0)
    case = case_of(lap=LapTable(distance_m=way, speed_m_per_s=speed, grade=(0.0,) * 4))
    drive = case.drive(Layout(case, NOON).laps([0]))
    loads, _ = compute_loads(case.vehicle, drive)
    heat = float(np.sum(loads.rotor_w * drive.duration_s))
    energy = FRONT_SHARE * 0.5 * case.vehicle.body.mass_kg * (40.0**2 - 15.0**2)
    assert 0.75 * energy < heat < 1.12 * energy  # rotating parts add up to 7 %


# --- counts ---


def test_laps_until_thin_agree_with_driving_every_number_of_laps(case_of):
    case = case_of(airflow=0.55, air=((NOON, 305.0),), pads="fast-road")
    found = session.laps_until_thin(case, NOON)
    assert any(n is not None for n in found.values())
    left = dict.fromkeys(case.parts)
    for n in range(case.tried_laps + 1):
        lay = Layout(case, NOON)
        drive = case.drive([*lay.warm_up(), *lay.out_lap(0), *lay.laps(range(1, n + 1))])
        for i, part in enumerate(case.parts):
            if left[part] is not None:
                continue
            plain = simulate(drive, case.vehicle, factors=case.factors, ambient_k=case.shift_k)
            # The model's own error, held by each draw throughout, is part of what is kept.
            result = with_error(plain, drive, case.vehicle, case.discrepancy, seed=SEED, plain=1, steady=True)
            if part == ROTOR:
                smallest = PAD_LIMIT_K["fast-road"] - result.temps_k[:, :, ROTORS].max(axis=1)
            else:
                smallest = result.margin_k[:, :, fluid_of(part).index].min(axis=1)
            kept = min(np.quantile(smallest[1:], 1.0 - case.confidence), smallest[0])
            if kept < case.bands_k[i]:
                left[part] = max(n - 1, 0)
    assert found == left


EASIER = replace(HARD, full_load=0.3)  # the harder lap is too much for any of the pads


@pytest.mark.parametrize(
    ("part", "harder"),
    [
        ("coolant", [{"air": ((NOON, air),), "pads": "fast-road"} for air in (275.0, 288.0, 298.0, 308.0, 318.0)]),
        ("coolant", [{"airflow": share, "air": ((NOON, 288.0),)} for share in (1.0, 0.6, 0.35)]),
        (ROTOR, [{"pads": pads, "lap": EASIER} for pads in ("track", "fast-road", "street")]),
    ],
    ids=["hotter air", "blocked air", "pads that stand less"],
)
def test_what_is_harder_never_gives_more_laps_to_any_part(case_of, part, harder):
    found = [session.laps_until_thin(case_of(**more), NOON) for more in harder]
    counts = np.array([[np.inf if n is None else n for n in one.values()] for one in found])
    assert np.all(counts[1:] <= counts[:-1])
    column = list(found[0]).index(part)
    assert counts[-1, column] < counts[0, column]


def test_off_and_idling_cool_differently_and_the_coolant_soaks_when_shut_off(case_of):
    case = case_of(air=((NOON, 303.0),))
    begin = session.state_after(case, NOON, 4)
    ends = {}
    for engine_on in (False, True):
        _, result = case.run(Layout(case, NOON).pit(0, duration_s=900.0, engine_on=engine_on), begin)
        ends[engine_on] = result.temps_k[0]
    off, idle = ends[False], ends[True]
    cooling = case.vehicle.cooling
    assert off[:, 1].max() > begin[0, 1] + 0.5  # the block's heat goes on into still coolant
    assert off[-1, 1] < off[:, 1].max() - 2.0
    assert cooling.fan_off_k - 1.0 < idle[-1, 1] < cooling.fan_on_k + 1.0  # idling, the fan's switch holds it
    assert off[-1, 0] < idle[-1, 0]  # a quarter of an hour on, the idling engine is the warmer one


@pytest.mark.parametrize("engine_on", [False, True])
def test_minutes_to_cool_are_just_enough(case_of, engine_on):
    case = case_of(air=((NOON, 295.0),), lap=replace(HARD, full_load=0.3, length_m=3600.0))
    driven = min(n for n in session.laps_until_thin(case, NOON).values() if n is not None)
    assert driven > 1
    minutes, _ = session.minutes_to_cool(case, NOON, driven, engine_on=engine_on)
    assert minutes is not None
    assert minutes > 1

    def worst(stand_min: int) -> float:
        """Stand, then drive again, as one drive from the pit on; thin band taken off."""
        begin = session.state_after(case, NOON, driven)
        lay = Layout(case, NOON)
        pieces = lay.pit(0, duration_s=60.0 * stand_min, engine_on=engine_on)
        drive, result = case.run([*pieces, *lay.out_lap(1), *lay.laps(range(2, driven + 2))], begin)
        margins = case.margins_k(drive, result)[:, 1:].min(axis=1)
        return float((case.kept_k(margins) - case.again_k).min())

    assert worst(minutes) > -0.1
    assert worst(minutes - 1) < 0.1
    assert worst(minutes + 10) > worst(minutes - 1)


# --- the worked example ---


@pytest.fixture(scope="module")
def outcome(opened, inputs):
    folder, trip, _ = opened
    setup = replace(read_session(folder, trip), last=time(11))
    return session.run_session(make_case(setup, inputs, draws=128))


def test_the_worked_example_finds_its_limits(outcome):
    assert [f"{hour.at:%H:%M}" for hour in outcome.hours] == ["09:00", "10:00", "11:00"]
    cool, _, hot = outcome.hours
    assert hot.air_k > cool.air_k
    assert cool.driven == 4  # in the cool of the morning all four runs are driven
    assert hot.part in ("coolant", "transmission")
    assert hot.driven == min(cool.driven, hot.least)
    assert hot.driven <= cool.driven
    assert len(outcome.planned) == 2  # the third would begin after 11:00
    assert {one.part for one in outcome.planned} <= {"coolant", "transmission"}
    assert outcome.planned[1].margin_k["coolant"] < outcome.planned[0].margin_k["coolant"]
    assert outcome.planned[1].level == "thin"
    assert outcome.distance_m == pytest.approx(3 * 4 * 2 * 4200.0)


def test_tables_fit_eighty_columns_and_the_data_holds_no_nan(outcome, opened):
    _, trip, _ = opened
    out = io.StringIO()
    console = Console(file=out, width=80, highlight=False)
    for thing in tables(outcome, trip):
        console.print(thing)
    assert max(len(line.rstrip()) for line in out.getvalue().splitlines()) <= 80
    assert f"{outcome.hours[2].least} {outcome.hours[2].part}" in out.getvalue()
    for line in caution_lines(outcome.alarms, units_of(trip.units)):
        assert line in " ".join(out.getvalue().split())
    held = json.loads(to_json(session_dict(outcome)))
    assert held["hours"][2]["first_thin"] == outcome.hours[2].part
    assert to_json(session_dict(outcome)) == to_json(session_dict(outcome))


# --- alarms ---


def test_a_sessions_cautions_ring_for_nothing_once_in_twenty_hours_on_other_cars_and_days(outcome):
    """Marks of 128 draws, counted on 512 others: car, day and the model's error drawn anew.

    A car that rings and does not reach the limit rings in most laps, so that 128 draws know a rate to a factor of two.
    """
    case = outcome.case
    factors, shift = draw(128, ambient_sd_k=np.array([case.site.sd_k]), seed=SEED + 1)
    other = replace(
        case,
        factors=Factors(*(np.concatenate((one[:1], two)) for one, two in zip(case.factors, factors, strict=True))),
        shift_k=np.vstack((case.shift_k[:1], shift)),
    )
    pieces = Layout(case, time(9)).warm_up()
    for group, one in enumerate(outcome.planned, 1):
        lay = Layout(case, one.begin)
        pieces += [*lay.laps([group] * case.setup.laps), *lay.pit(group, duration_s=2400.0, engine_on=False)]
    drive, result = other.run(pieces)
    rows = np.flatnonzero((drive.group >= 1) & (drive.engine_on > 0.0))
    fluids_k = np.repeat(result.temps_k[1:, rows][:, :, FLUID_NODES], 4, axis=0)
    size_k = scale_k(case.discrepancy, conditions_of(case.discrepancy, drive, case.vehicle), rows, fluids_k)
    fluids_k += np.random.default_rng(4).normal(size=(len(fluids_k), 1, N_FLUID)) * size_k
    hours = len(fluids_k) * drive.duration_s[rows].sum() / 3600.0
    assert [one.fluid for one in outcome.alarms] == ["coolant", "engine_oil", "transmission", "differential"]
    for one in outcome.alarms:
        fluid = fluid_of(one.fluid)
        temps, limit_k = fluids_k[:, :, fluid.index], result.limit_k[rows, fluid.index]
        inside = np.mean((temps >= one.marks.band_k[0]) & (temps <= one.marks.band_k[1]), axis=0)
        assert np.average(inside, weights=drive.duration_s[rows]) == pytest.approx(0.9, abs=0.05)
        assert one.marks.band_k[0] < one.marks.band_k[1] < one.marks.caution_k < one.limit_k
        assert one.marks.nuisance_per_h <= 1.0 / 20.0
        sound = temps[~(temps >= limit_k).any(axis=1)]
        assert sum(rings(day_k, one.marks.caution_k) for day_k in sound) / hours <= 2.0 / 20.0
        assert one.marks.lead_s > 0.0


def rings(temps_k, mark_k) -> int:
    """How often a gauge rings at a mark, if it rearms 2 K below."""
    count, ringing = 0, False
    for now in temps_k:
        count += now >= mark_k and not ringing
        ringing = now >= mark_k or (ringing and now >= mark_k - 2.0)
    return count


def test_a_session_s_alarms_count_what_is_read_with_the_engine_running_after_the_drive_there(case_of):
    case = case_of(pit_idle=False)
    lay = Layout(case, NOON)
    pieces = [*lay.warm_up(), *lay.laps([1, 1]), *lay.pit(1, duration_s=1200.0, engine_on=False)]
    drive, result = case.run(pieces)
    plain = gauge_alarms(case, drive, result)
    temps_k = result.temps_k.copy()
    temps_k[:, (drive.engine_on == 0.0) | (drive.group == 0)] += 40.0
    assert gauge_alarms(case, drive, replace(result, temps_k=temps_k)) == plain
    temps_k[:, (drive.engine_on > 0.0) & (drive.group == 1)] += 5.0
    hotter = gauge_alarms(case, drive, replace(result, temps_k=temps_k))
    for one, other in zip(hotter, plain, strict=True):
        assert 4.0 < one.marks.band_k[1] - other.marks.band_k[1] < 8.0  # the model's error grows with the heat


def test_hot_oils_are_due_beside_what_always_is(outcome):
    due = due_after(outcome)
    assert due[: len(AFTER_SESSION)] == AFTER_SESSION
    hot = outcome.case.vehicle.differential_limit
    hottest = hot.limit_k - min(one.margin_k["differential"] for one in outcome.planned)
    assert ("differential oil" in due) == (hottest > hot.caution_k)


def test_service_after_the_session_falls_due_at_the_first_workshop_from_there(alps):
    """The folder's reader knows the session, so every plan of the folder knows what it leaves due."""
    outlook = alps.outlook
    assert outlook.trip.session == SessionPlace(name="Sorello hill practice", place="davos")
    plan, without = plan_service(outlook), plan_service(with_trip(outlook, session=None))
    jobs = [job for job in plan.due if job.item.startswith("after the session")]
    assert [job.item.removeprefix("after the session: ") for job in jobs] == sorted(AFTER_SESSION)
    assert {job.place for job in jobs} == {"davos"}
    assert {job.item for job in plan.due} - {job.item for job in jobs} == {job.item for job in without.due}


def test_a_session_away_from_the_route_changes_nothing(alps):
    away, none = (with_trip(alps.outlook, session=at) for at in (SessionPlace(name="", place="airolo"), None))
    assert plan_service(away) == plan_service(none)


# --- reading ---


@pytest.fixture
def problems_of(opened, tmp_path):
    """`problems_of('[lap]...')`: where and what the problems of a session.toml are."""
    trip = opened[1]

    def read(text: str, lap: str = "") -> list[tuple[str, str]]:
        (tmp_path / "session.toml").write_text(text, encoding="utf-8")
        (tmp_path / "lap.csv").write_text(lap, encoding="utf-8")
        with pytest.raises(TripError) as caught:
            read_session(tmp_path, trip)
        return [(one.key or one.where, one.code) for one in caught.value.found]

    return read


TABLE = 'place = "davos"\n[lap]\nprofile = "lap.csv"\n'
HEAD = "distance [km],speed [km/h]\n"
NUMBERS = '[lap]\nlength = "4 km"\ntime = "150 s"\nfull_load = 0.5\ncorner_speed = "60 km/h"\n'


def test_everything_wrong_is_told_at_once(problems_of):
    found = problems_of('place = "davoss"\npads = "steel"\nstart = "9"\n[lap]\nlenght = "4 km"\n[pit]\ntime = "30"\n')
    wrong = {"place": "unknown-place", "pads": "unknown-word", "start": "date", "lap.lenght": "unknown-key"}
    assert {*wrong.items(), ("lap.length", "missing-key")} <= set(found)
    assert "pit.time" in dict(found)


ON_DAVOS = 'place = "davos"\n' + NUMBERS


@pytest.mark.parametrize(
    ("text", "lap", "where", "code"),
    [
        (NUMBERS, "", "place", "missing-key"),  # or elevation and air
        ('elevation = "2 m"\n' + NUMBERS + '[air]\n"9" = "20 degC"\n', "", "air.9", "invalid-value"),
        (ON_DAVOS + 'airflow = "none"\n', "", "lap.airflow", "invalid-value"),
        (ON_DAVOS + 'climb = "90 m"\n', "", "lap.climb", "missing-key"),
        ('start = "18:00"\n' + ON_DAVOS, "", "until", "missing-key"),
        (TABLE.replace("lap.csv", "../lap.csv"), "", "lap.profile", "file-access"),
        (TABLE.replace("lap.csv", "gone.csv"), "", "lap.profile", "file-access"),
        (TABLE.replace("lap.csv", "lap.txt"), "", "lap.profile", "file-access"),
        (TABLE, "distance [km],speed [km/h],grade [%]\n0,60,8\n1,60,8\n2,60,8\n", "lap.csv", "lap"),  # ends too high
        (TABLE, HEAD + "0,60\n1,90\n2,90\n", "lap.csv", "lap"),  # ends faster than it begins
        (TABLE, HEAD + "0,60\n1,90\n1,60\n", "lap.csv", "lap"),  # distances that do not increase
        (TABLE, HEAD + "0,60\n1,0\n2,0\n3,60\n", "lap.csv", "lap"),  # stands from one point to the next
        ("x = \ny = 1", "", "session.toml row 1", "unreadable"),
        (ON_DAVOS + "[session]\nlaps = 0\n", "", "session.laps", "out-of-range"),
        (ON_DAVOS.replace("4 km", "1 mi/h"), "", "lap.length", "unit"),
        (ON_DAVOS + 'wait = "2 h"\n', "", "lap.wait", "out-of-range"),
        ('name = "\\u001b"\n' + ON_DAVOS, "", "name", "invalid-value"),
    ],
)
def test_what_cannot_be_is_refused(problems_of, text, lap, where, code):
    assert (where, code) in problems_of(text, lap)


def test_a_missing_file_says_what_to_do(opened, tmp_path):
    with pytest.raises(TripError, match=r"is missing; write one with a table \[lap\]"):
        read_session(tmp_path, opened[1])


def test_air_by_the_hour_is_interpolated_and_held_at_the_ends(case_of):
    case = case_of(air=((time(9), 288.0), (time(13), 300.0)))
    assert [case.site.air_k(time(h)) for h in (8, 9, 11, 13, 17)] == [288.0, 288.0, 294.0, 300.0, 300.0]


# --- the page ---


def test_the_page_describes_every_key_and_no_other(outcome):
    formats = (Path(__file__).parents[3] / "docs" / "formats.md").read_text(encoding="utf-8")
    page = formats.split("\n## session.toml\n", 1)[1].split("\n## ")[0]

    def keys(head: str) -> set[str]:
        block = page.split(f"| {head} |", 1)[1].split("\n\n")[0]
        cells = re.findall(r"^\| (.+?) \|", block, re.MULTILINE)
        return {name.strip("[]") for cell in cells for name in re.findall(r"`([^`]+)`", cell)}

    assert keys("key") == set(TOP_KEYS)
    assert keys("key of `[lap]`") == set(LAP_KEYS)
    assert keys("key of `[session]`") == set(SESSION_KEYS)
    assert keys("key of `[pit]`") == set(PIT_KEYS)
    assert keys("column") == {column.name for column in LAP_COLUMNS}
    held = session_dict(outcome)
    data = formats.split("\n### session --json\n", 1)[1].split("\n### ")[0]
    page = "\n" + data
    assert keys("key") == set(held)
    assert keys("key of an hour") == set(held["hours"][0])
    assert all(f"`{key}`" in data for key in (*held["lap"], *held["sessions"][0], *held["alarms"][0]))


def test_the_page_s_example_is_the_shipped_one(opened):
    folder, trip, _ = opened
    page = (Path(__file__).parents[3] / "docs" / "formats.md").read_text(encoding="utf-8")
    text = page.split("\n## session.toml\n", 1)[1].split("```toml\n", 1)[1].split("```")[0]
    shipped = read_session(folder, trip)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    assert replace(read_session(folder, trip), assumptions=()) == replace(shipped, assumptions=())
