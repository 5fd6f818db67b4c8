"""The heat network against mathematics: analytic cases, energy, step halving, LSODA, maximum principle, monotony."""

import dataclasses
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from cars import C0, GAUGED, energy_left_open, heat_capacities_j_per_k, join, parked, soak_after_climb, with_part
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from thermal import cooling, kernel, reference
from thermal.drive import Drive, steady_drive
from thermal.engine import friction_w
from thermal.errors import ParameterError
from thermal.fluids import BODY_KEYS, FACTORS, FLUIDS, N_BODY, N_FLUID
from thermal.loads import Loads, compute_loads, road_force_n
from thermal.simulate import TOLERANCE_K, Result, car_constants, nominal, simulate
from thermal.spread import CLASS_SPREAD
from thermal.vehicle import Vehicle
from thermal.vehicle_file import sections

# --- helpers ---------------------------------------------------------------------------------------------------------


def steady(**given: Any) -> Drive:
    """A steady drive; `change` replaces arrays by constants."""
    change = given.pop("change", {})
    drive = steady_drive(**given)
    return dataclasses.replace(drive, **{name: np.full(len(drive.duration_s), v) for name, v in change.items()})


def mixed_drive(air_k: float = 303.15, *, long: bool = True) -> Drive:
    """Town, motorway, pass, descent, traffic, stop with the engine off, and off again: two hours."""
    k = 1.0 if long else 0.4
    return join(
        steady(minutes=10 * k, speed_m_per_s=11.0, grade=0.0, air_k=air_k, change={"idle_share": 0.3}),
        steady(minutes=30 * k, speed_m_per_s=29.0, grade=0.005, air_k=air_k, ac_on=True),
        steady(minutes=20 * k, speed_m_per_s=18.0, grade=0.065, air_k=air_k - 3, ac_on=True, elevation_m=300.0),
        steady(minutes=5 * k, speed_m_per_s=0.0, grade=0.0, air_k=air_k - 10, ac_on=True, elevation_m=1600.0),
        parked(15 * k, air_k - 10, 1600.0),
        steady(minutes=15 * k, speed_m_per_s=17.0, grade=-0.06, air_k=air_k - 6, elevation_m=1600.0),
        steady(minutes=10 * k, speed_m_per_s=8.0, grade=0.01, air_k=air_k, change={"idle_share": 0.6}, ac_on=True),
        steady(minutes=15 * k, speed_m_per_s=25.0, grade=0.0, air_k=air_k),
    )


def final(drive: Drive, vehicle: Vehicle, **more: Any) -> np.ndarray:
    return simulate(drive, vehicle, **more).temps_k[0, -1]


def bare_case(minutes: float, around_k: float, **values: float) -> tuple[Loads, kernel.Car]:
    """A network with nothing in it but what is named: no radiator, radiation, spin loss or coolers."""
    n = round(minutes * 6)
    zero = {name: np.zeros(n) for name in Loads._fields}
    zero |= {name: np.full(n, around_k) for name in ("air_k", "grille_k", "under_k")}
    zero |= {"duration_s": np.full(n, 10.0), "airspeed_m_per_s": np.full(n, np.inf), "slope": np.zeros((n, 15))}
    capacity = np.array([values.pop(f"c{i}", 1e4) for i in range(N_BODY)])
    loads = Loads(**(zero | {name: np.full(n, value) for name, value in values.items()}))
    car = kernel.Car(
        capacity=capacity,
        area=np.zeros(N_BODY),
        emissivity=np.zeros(N_BODY),
        thermostat_open_k=500.0,
        thermostat_full_k=510.0,
        fan_kind=kernel.FIXED,
        fan_on_k=500.0,
        fan_off_k=490.0,
        **{
            f"{fluid}_{edge}_k": v
            for fluid in ("oil", "gearbox", "axle", "steering")
            for edge, v in (("open", 500.0), ("full", 510.0))
        },
        steering=1.0,
        coolant_cp=3600.0,
        map_air_max=1.0,
        map_coolant_max=1.0,
        radiator=np.zeros(kernel.MAP_SIZE**2),
        gearbox_spin=np.ones(kernel.TABLE_SIZE),
        axle_spin=np.ones(kernel.TABLE_SIZE),
        steering_spin=np.ones(kernel.TABLE_SIZE),
    )
    return loads, car


def march(loads: Loads, car: kernel.Car, start_k: np.ndarray, tolerance_k: float) -> np.ndarray:
    """Run the real kernel on hand-made coefficients; shape (n_segment, n_body)."""
    n = len(loads.duration_s)
    whole = np.zeros(n, dtype=np.int64)
    temps, margin = np.empty((1, n, N_BODY)), np.full((1, 1, N_FLUID), np.inf)
    kernel.march(
        loads, car, nominal(), np.zeros((1, 1)), whole, whole, np.full((n, N_FLUID), 1e3), start_k[None, :],
        np.arange(n), tolerance_k, temps, margin, np.zeros((1, 1, N_FLUID), dtype=np.int64), np.zeros((1, 3)),
    )  # fmt: skip
    return temps[0]


# --- analytic --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minute", "oil_c", "metal_c"),
    [(1, 39.5119, 63.5838), (5, 90.5978, 100.8169), (10, 113.5320, 104.8713), (30, 121.0511, 105.6896)],
)
def test_two_nodes_follow_the_analytic_solution(minute: int, oil_c: float, metal_c: float) -> None:
    """Two coupled bodies, steady 121.0769 / 105.6923 degC, time constants 211.274 and 80.828 s (matrix exponential)."""
    loads, car = bare_case(
        30, 38 + C0, c0=80e3, c2=16_650.0, metal_w=60e3, oil_w=3e3, metal_oil_w_per_k=60.0,
        metal_surface_w_per_k=900.0, oil_surface_w_per_k=25.0,
    )  # fmt: skip
    got = march(loads, car, np.full(N_BODY, 25 + C0), 1e-5)[6 * minute - 1] - C0
    assert got[kernel.OIL] == pytest.approx(oil_c, abs=1e-3)
    assert got[kernel.METAL] == pytest.approx(metal_c, abs=1e-3)


@pytest.mark.parametrize(
    ("minutes", "around_k", "given", "node", "rise_k", "within_k"),
    [
        # 7.553 kW into 14 kg of iron cooled by 28 W/K
        (10, 300.0, {"c5": 6440.0, "rotor_w": 7553.0, "rotor_surface_w_per_k": 28.0}, kernel.ROTORS, 249.8, 0.2),
        # 400 W over 8 W/K gives 50 K, and 31.6 K after one time constant
        (33, 308.15, {"c4": 15_840.0, "axle_w": 400.0, "axle_surface_w_per_k": 8.0}, kernel.DIFFERENTIAL, 31.6, 0.05),
    ],
    ids=["rotors on a long descent", "differential"],
)
def test_one_body_follows_the_textbook_exponential(
    minutes: int, around_k: float, given, node: int, rise_k: float, within_k: float
) -> None:
    """Hand cases: the first rounded on the way, the second to half the last digit."""
    loads, car = bare_case(minutes, around_k, **given)
    rise = march(loads, car, np.full(N_BODY, around_k), 1e-5)[-1, node] - around_k
    assert rise == pytest.approx(rise_k, abs=within_k)
    capacity, heat_w, loss_w_per_k = given.values()
    exact = heat_w / loss_w_per_k * (1.0 - np.exp(-60.0 * minutes * loss_w_per_k / capacity))
    assert rise == pytest.approx(exact, abs=1e-3)


def test_all_engine_nodes_against_the_matrix_exponential() -> None:
    """Metal, coolant and oil coupled pairwise: scipy.linalg.expm of the same linear system."""
    g_mc, g_mo, g_oc, s = 800.0, 40.0, 60.0, np.array([20.0, 450.0, 25.0])
    cap, heat = np.array([48e3, 32e3, 18e3]), np.array([22e3, 0.0, 5e3])
    loads, car = bare_case(
        20, 300.0, c0=cap[0], c1=cap[1], c2=cap[2], metal_w=heat[0], oil_w=heat[2], metal_coolant_w_per_k=g_mc,
        metal_oil_w_per_k=g_mo, oil_coolant_w_per_k=g_oc, metal_surface_w_per_k=s[0], coolant_surface_w_per_k=s[1],
        oil_surface_w_per_k=s[2],
    )  # fmt: skip
    links = np.array([[0, g_mc, g_mo], [g_mc, 0, g_oc], [g_mo, g_oc, 0]])
    matrix = (links - np.diag(links.sum(axis=1) + s)) / cap[:, None]
    ends = np.linalg.solve(matrix, -heat / cap)
    temps = march(loads, car, np.full(N_BODY, 300.0), 1e-5)[:, :3] - 300.0
    for i in (0, 5, 29, 119):
        expect = ends - scipy.linalg.expm(matrix * 10.0 * (i + 1)) @ ends
        assert temps[i] == pytest.approx(expect, abs=2e-3)


def heat_into_nodes_w(loads: Loads, car: kernel.Car, temps_k: np.ndarray) -> np.ndarray:
    """Heat into every node at one state. [W]"""
    out = np.empty(N_BODY)
    kernel.rates(temps_k, kernel.table_of(loads), 0, nominal(), 0, 0.0, 0.0, car, out)
    return out * car.capacity


@pytest.mark.parametrize("surface_c", [60.0, 80.0, 100.0, 130.0])
def test_still_air(surface_c: float, lib) -> None:
    """Churchill & Chu's cylinder plus radiation; their own scatter is 20 %, ours of it 3 %."""
    nusselt = lib("ht.conv_free_immersed").Nu_horizontal_cylinder_Churchill_Chu
    surface, ambient, d = surface_c + C0, 308.15, 0.25
    film = 0.5 * (surface + ambient)
    mu, k, rho, cp = (lib("CoolProp.CoolProp").PropsSI(name, "T", film, "P", 101325.0, "Air") for name in "VLDC")
    grashof = 9.80665 * (surface - ambient) * d**3 / film / (mu / rho) ** 2
    bare = nusselt(mu * cp / k, grashof) * k / d
    glow = 5.670374419e-8 * (surface**4 - ambient**4) / (surface - ambient)
    assert 0.9 * glow > bare  # radiation exceeds natural convection
    area, emissivity = np.array([0.8, 0.2, 0.25, 0.45, 0.3, 0.28, 0.3]), np.array([0.8, 0.9, 0.8, 0.5, 0.8, 0.5, 0.8])
    loads, car = bare_case(1, ambient, still=1.0)
    got = heat_into_nodes_w(loads, car._replace(area=area, emissivity=emissivity), np.full(N_BODY, surface))
    assert got == pytest.approx(-area * (bare + emissivity * glow) * (surface - ambient), rel=0.03)


@pytest.mark.parametrize(
    ("coefficient", "node", "air"),
    [
        ("metal_surface_w_per_k", kernel.METAL, "air_k"),
        ("coolant_surface_w_per_k", kernel.COOLANT, "air_k"),
        ("oil_surface_w_per_k", kernel.OIL, "under_k"),
        ("gearbox_surface_w_per_k", kernel.TRANSMISSION, "under_k"),
        ("axle_surface_w_per_k", kernel.DIFFERENTIAL, "under_k"),
        ("rotor_surface_w_per_k", kernel.ROTORS, "air_k"),
        ("oil_air_w_per_k", kernel.OIL, "grille_k"),
        ("gearbox_air_w_per_k", kernel.TRANSMISSION, "grille_k"),
        ("axle_air_w_per_k", kernel.DIFFERENTIAL, "grille_k"),
        ("steering_surface_w_per_k", kernel.STEERING, "under_k"),
        ("steering_air_w_per_k", kernel.STEERING, "grille_k"),
    ],
)
def test_every_surface_meets_its_own_air(coefficient: str, node: int, air: str) -> None:
    """Front surfaces meet the air, pan and driveline the air under the floor, coolers that at the grille."""
    airs = {"air_k": 300.0, "grille_k": 305.0, "under_k": 312.0}
    loads, car = bare_case(1, 300.0, **airs, **{coefficient: 10.0})
    edges = (("open", 273.0), ("full", 274.0))
    open_valves = {f"{fluid}_{edge}_k": k for fluid in ("oil", "gearbox", "axle", "steering") for edge, k in edges}
    got = heat_into_nodes_w(loads, car._replace(**open_valves), np.full(N_BODY, 360.0))
    expect = np.zeros(N_BODY)
    expect[node] = -10.0 * (360.0 - airs[air])
    assert got == pytest.approx(expect, abs=1e-9)


def test_air_under_the_floor_is_warmer_on_a_grade(any_vehicle: Vehicle) -> None:
    """Common practice: some 4 K at cruise and 10-15 K on a grade; 1 to 10 and up to 25 K allowed here."""
    rises = []
    for speed, grade in ((27.0, 0.0), (18.0, 0.06)):
        drive = steady(minutes=1, speed_m_per_s=speed, grade=grade, air_k=300.0)
        loads, _ = compute_loads(any_vehicle, drive)
        rises.append(float(loads.under_k[0] - loads.grille_k[0]))
    assert 1.0 <= rises[0] <= 10.0
    assert rises[0] < rises[1] <= 25.0


def test_kernel_has_the_tables_and_constants_of_others() -> None:
    assert (kernel.N_NODE, kernel.N_FLUID) == (N_BODY, N_FLUID)
    names = "METAL COOLANT OIL TRANSMISSION DIFFERENTIAL ROTORS STEERING".split()
    assert [getattr(kernel, name) for name in names] == list(range(N_BODY))
    assert "metal coolant engine_oil transmission differential rotors power_steering".split() == list(BODY_KEYS)
    assert kernel.FLUID_NODES == tuple(fluid.node for fluid in FLUIDS)
    assert kernel.Factors._fields == tuple(FACTORS) == tuple(CLASS_SPREAD)
    assert kernel._SIGMA == cooling.STEFAN_BOLTZMANN_W_PER_M2K4
    assert kernel._CP_AIR == cooling.CP_AIR_J_PER_KGK


# --- energy ----------------------------------------------------------------------------------------------------------


def test_energy_closes(any_vehicle: Vehicle) -> None:
    """What was made and not given away is stored: 1e-6 of the heat made, over a long drive with stops."""
    drive = join(*(mixed_drive(air_k) for air_k in (303.15, 285.15, 311.15, 278.15)))
    assert energy_left_open(simulate(drive, any_vehicle), drive, any_vehicle) <= 1e-6


def test_heat_in_equals_fuel_less_work_and_exhaust(estate: Vehicle) -> None:
    """First law of the whole car on the level: fuel burnt = heat in the nodes + exhaust + road work + accessories.

    1.5 %: spin losses are drawn from the crank at the reference viscosity and appear as heat at the true one.
    """
    drive = steady_drive(minutes=120, speed_m_per_s=29.0, grade=0.0, air_k=293.15)
    _, work = compute_loads(estate, drive)
    engine = estate.engine
    indicated = work.crank_w + friction_w(engine, work.engine_rad_per_s)
    exhaust = (1.0 - engine.coolant_share - engine.oil_share) * (work.fuel_w - indicated)
    road = road_force_n(estate, drive) * drive.speed_m_per_s + engine.accessory_power_w
    made = float(((work.fuel_w - exhaust - road) * drive.duration_s).sum())
    without = with_part(estate, "steering", kind="none")  # its pump's work is among the accessories'
    assert simulate(drive, without).heat_in_j[0] == pytest.approx(made, rel=0.015)


# --- accuracy --------------------------------------------------------------------------------------------------------


def test_step_halving(any_vehicle: Vehicle) -> None:
    """The working tolerance against one ten times tighter, at every output of two hours."""
    drive = mixed_drive()
    coarse, fine = simulate(drive, any_vehicle), simulate(drive, any_vehicle, tolerance_k=TOLERANCE_K / 10.0)
    assert np.max(np.abs(coarse.temps_k - fine.temps_k)) <= 0.05
    assert fine.steps[0] > coarse.steps[0]


@pytest.mark.parametrize("fan", ["electric", "viscous", "fixed"])
def test_agrees_with_lsoda(estate: Vehicle, fan: str) -> None:
    """scipy LSODA, rtol 1e-8, restarted at every segment and fan switching, at every output of two hours."""
    drive, vehicle = mixed_drive(), with_part(estate, "cooling", fan=fan)
    assert np.max(np.abs(simulate(drive, vehicle).temps_k[0] - reference.integrate(drive, vehicle))) <= 0.01


def test_every_class_agrees_with_lsoda(any_vehicle: Vehicle) -> None:
    """Alone, and as eight draws side by side, which are the same to the last digit."""
    drive = mixed_drive(308.15, long=False)
    exact = reference.integrate(drive, any_vehicle)
    alone, beside = (simulate(drive, any_vehicle, factors=nominal(n)).temps_k for n in (1, 8))
    assert np.max(np.abs(alone[0] - exact)) <= 0.01
    assert np.max(np.abs(beside[0] - exact)) <= 0.01
    assert np.array_equal(beside, np.broadcast_to(beside[:1], beside.shape))


# --- principles ------------------------------------------------------------------------------------------------------


def test_a_cooling_car_stays_between_start_and_air(any_vehicle: Vehicle) -> None:
    """Maximum principle: with no heat made nothing leaves the range of start and air.

    After a day the car counts as cold: exhaust test procedures soak for 12-36 h (from memory).
    """
    drive, hydraulic = parked(1440.0, 290.0), any_vehicle.steering.kind == "hydraulic"
    start = np.array([370.0, 365.0, 385.0, 350.0, 340.0, 500.0, 360.0 if hydraulic else 290.0])
    temps = simulate(drive, any_vehicle, start_k=start).temps_k[0]
    assert temps.min() >= 290.0 - 1e-9
    assert temps.max() <= 500.0
    assert temps[:, :3].max() <= 385.0 + 1e-9
    assert np.all(np.diff(temps[:, 3:], axis=0) <= 1e-9)
    assert np.all(temps[-1] < 293.0)


def test_a_cold_car_in_warmer_air_never_overshoots(any_vehicle: Vehicle) -> None:
    temps = simulate(parked(600.0, 310.0), any_vehicle, start_k=np.full(N_BODY, 260.0)).temps_k[0]
    assert temps.max() <= 310.0 + 1e-9
    assert np.all(np.diff(temps, axis=0) >= -1e-9)


def test_soak_after_a_hot_climb(any_vehicle: Vehicle) -> None:
    """Common practice: coolant rises 3-12 K in the 10 min after shut-down, then falls; the block's heat does it."""
    rise_k, after = soak_after_climb(any_vehicle)
    assert 3.0 <= rise_k <= 12.0
    assert after[-1] < after[0]
    assert np.all(np.diff(after[np.argmax(after) :]) <= 1e-9)


# --- monotony, over random cars ---------------------------------------------------------------------------------------


def near(metadata: Any, held: float, share: float) -> float:
    """A number between half and twice the class's, inside the plausible range; kelvins move by +-8 K."""
    wanted = held + 16.0 * (share - 0.5) if metadata["unit"] == "K" else held * 2.0 ** (2.0 * share - 1.0)
    return min(max(wanted, metadata["low"]), metadata["high"])


def random_vehicle(vehicle: Vehicle, seed: int) -> Vehicle:
    """Every number of every section moved; temperatures, speeds and viscosities of one section move together.

    Cars that cannot exist raise ParameterError.
    """
    rng = np.random.default_rng(seed)
    parts: dict[str, Any] = {}
    for section in sections():
        part, new = getattr(vehicle, section), {}
        together = dict(zip(("K", "rad/s", "m**2/s"), rng.random(3), strict=True))
        for item in dataclasses.fields(part):
            held = getattr(part, item.name)
            if isinstance(held, float) and held != 0.0:
                new[item.name] = near(item.metadata, held, together.get(item.metadata["unit"], rng.random()))
        parts[section] = dataclasses.replace(part, **new)
    engine = parts["engine"]
    most = 0.99 * engine.peak_torque_nm * engine.peak_power_speed_rad_per_s
    parts["engine"] = dataclasses.replace(engine, peak_power_w=min(engine.peak_power_w, most))
    fan = str(rng.choice(["electric", "viscous", "fixed"]))
    return with_part(dataclasses.replace(vehicle, **parts), "cooling", fan=fan)


cars = st.integers(0, 2**32 - 1)
some = settings(max_examples=20, deadline=None, derandomize=True, database=None)


def valid(vehicle: Vehicle, seed: int) -> Vehicle:
    try:
        return random_vehicle(vehicle, seed)
    except ParameterError:
        assume(False)
        raise


@settings(some, max_examples=60)
@given(car=cars, air_c=st.floats(-30.0, 50.0), speed=st.floats(0.0, 40.0), grade=st.floats(-0.12, 0.12))
def test_no_vehicle_breaks_the_solver(estate: Vehicle, car: int, air_c: float, speed: float, grade: float) -> None:
    vehicle = valid(estate, car)
    drive = join(
        steady(minutes=30, speed_m_per_s=speed, grade=grade, air_k=air_c + C0, ac_on=True), parked(30, air_c + C0)
    )
    result: Result = simulate(drive, vehicle)
    assert np.all(np.isfinite(result.temps_k))
    assert result.temps_k.min() >= air_c + C0 - 1e-6
    assert energy_left_open(result, drive, vehicle) <= 1e-6


# Steady state to 0.01 K of the last hour; the switched fan makes a saw-tooth, so it is left to the other tests.
hill = {"minutes": 240.0, "speed_m_per_s": 16.0, "grade": 0.03}


def settled(vehicle: Vehicle, **change: Any) -> np.ndarray:
    """Temperatures after four hours on one grade at one height."""
    drive = steady(**(hill | {"air_k": 300.0} | change))
    flat = np.full(len(drive.duration_s), 500.0)
    return final(dataclasses.replace(drive, elevation_m=flat), vehicle, tolerance_k=0.005)


@some
@given(car=cars, warmer=st.floats(2.0, 20.0))
def test_hotter_air_warms_every_node(estate: Vehicle, car: int, warmer: float) -> None:
    """The same heat into warmer air; loads follow density, so drag is taken from the same air."""
    vehicle = with_part(valid(estate, car), "cooling", fan="viscous")
    cool = steady(**hill, air_k=300.0)
    hot = simulate(cool, vehicle, ambient_k=np.full((1, 1), warmer), tolerance_k=0.005).temps_k[0, -1]
    assert np.all(hot > final(cool, vehicle, tolerance_k=0.005))


@some
@given(car=cars, heavier=st.floats(1.05, 1.5))
def test_more_mass_warms_every_fluid(estate: Vehicle, car: int, heavier: float) -> None:
    """In one gear: a change of gear changes engine speed, and with it pump and fan."""
    vehicle = with_part(valid(estate, car), "cooling", fan="viscous")
    loaded = with_part(vehicle, "body", mass_kg=min(vehicle.body.mass_kg * heavier, 8000.0))
    assume(same_gear(vehicle, loaded, 0.03, 0.03))
    assert np.all(settled(loaded)[GAUGED] >= settled(vehicle)[GAUGED] - 0.01)


@some
@given(car=cars, steeper=st.floats(0.002, 0.02))
def test_more_grade_warms_every_fluid(estate: Vehicle, car: int, steeper: float) -> None:
    vehicle = with_part(valid(estate, car), "cooling", fan="viscous")
    assume(same_gear(vehicle, vehicle, 0.03, 0.03 + steeper))
    assert np.all(settled(vehicle, grade=0.03 + steeper)[GAUGED] >= settled(vehicle)[GAUGED] - 0.01)


@some
@given(car=cars, share=st.floats(0.3, 0.95))
def test_less_air_through_the_radiator_warms_the_coolant(estate: Vehicle, car: int, share: float) -> None:
    vehicle = with_part(valid(estate, car), "cooling", fan="viscous")
    covered = with_part(vehicle, "cooling", airflow_share=max(vehicle.cooling.airflow_share * share, 0.2))
    assert settled(covered)[kernel.COOLANT] >= settled(vehicle)[kernel.COOLANT] - 0.01


def same_gear(one: Vehicle, other: Vehicle, grade: float, other_grade: float) -> bool:
    """Both hold the speed, in the same gear."""
    used = []
    for vehicle, slope in ((one, grade), (other, other_grade)):
        drive = steady(**(hill | {"minutes": 1.0, "grade": slope}), air_k=300.0, elevation_m=500.0)
        _, work = compute_loads(vehicle, drive)
        used.append(work.gear[0])
        if work.crank_w[0] >= work.available_w[0]:
            return False
    return used[0] == used[1]


def test_random_vehicles_are_different_and_mostly_valid(estate: Vehicle) -> None:
    """The generator above must reach real variety, or the properties prove nothing."""
    made = []
    for seed in range(60):
        try:
            made.append(random_vehicle(estate, seed))
        except ParameterError:
            continue
    assert len(made) >= 40
    assert len({vehicle.body.mass_kg for vehicle in made}) == len(made)
    assert {vehicle.cooling.fan for vehicle in made} == {"electric", "viscous", "fixed"}


def test_car_constants_cover_every_node(estate: Vehicle) -> None:
    car = car_constants(estate, compute_loads(estate, mixed_drive(long=False))[0])
    assert car.capacity == pytest.approx(heat_capacities_j_per_k(estate))
