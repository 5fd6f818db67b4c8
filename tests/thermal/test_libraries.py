"""The thermal package against reference libraries, live; each test is left out where its library is not installed."""

import dataclasses

import numpy as np
import pytest
from cars import CLASS_NAMES, read_class

from thermal import air, brakes, coolant, cooling, driveline, engine, oil, roadload
from thermal.vehicle import Vehicle


@pytest.mark.checks("thermal.air.pressure_pa", "thermal.air.density_kg_per_m3")
@pytest.mark.parametrize("height_m", [-86.0, 0.0, 750.0, 1500.0, 2000.0, 3600.0, 4000.0, 5000.0])
def test_standard_atmosphere(height_m: float, lib) -> None:
    """Two libraries. Tolerance: constants differ in the 7th digit."""
    level = lib("ambiance").Atmosphere(height_m)
    pressure = air.pressure_pa(height_m)
    assert pressure == pytest.approx(float(level.pressure[0]), rel=1e-6)
    assert pressure == pytest.approx(lib("fluids").ATMOSPHERE_1976(height_m).P, rel=1e-6)
    assert air.density_kg_per_m3(float(level.temperature[0]), pressure, 0.0) == pytest.approx(
        float(level.density[0]), rel=1e-5
    )


@pytest.mark.checks("thermal.air.vapour_pressure_pa", "thermal.air.density_kg_per_m3")
@pytest.mark.parametrize(
    ("temp_c", "humidity"), [(5.0, 0.9), (12.0, 0.5), (25.0, 0.3), (25.0, 0.9), (40.0, 0.1), (40.0, 0.5)]
)
def test_moist_air(temp_c: float, humidity: float, lib) -> None:
    """Vapour pressure within Magnus's 0.4 % and the air's enhancement factor (0.4 %), density within 0.1 %."""
    ha = lib("CoolProp.CoolProp").HAPropsSI
    state = ("T", temp_c + 273.15, "R", humidity, "P", 90e3)
    vapour = air.vapour_pressure_pa(ha("D", *state))
    assert vapour == pytest.approx(ha("P_w", *state), rel=0.009)
    assert air.density_kg_per_m3(temp_c + 273.15, 90e3, vapour) == pytest.approx(1.0 / ha("Vha", *state), rel=1e-3)


@pytest.mark.checks("thermal.coolant.saturation_k")
@pytest.mark.parametrize("pressure_pa", [60e3, 101325.0, 200e3, 350e3])
def test_boiling_water(pressure_pa: float, props_si, lib) -> None:
    """Exact in IF97 (iapws); IAPWS-95 (CoolProp) differs by some millikelvin."""
    assert coolant.saturation_k(pressure_pa) == pytest.approx(
        props_si("T", "P", pressure_pa, "Q", 0, "Water"), abs=0.01
    )
    iapws97 = lib("iapws.iapws97")
    assert coolant.saturation_k(pressure_pa) == pytest.approx(iapws97._TSat_P(pressure_pa / 1e6), abs=1e-6)


@pytest.mark.checks("thermal.coolant.heat_capacity_j_per_kgk")
@pytest.mark.parametrize(("glycol", "fluid"), [("ethylene", "MEG"), ("propylene", "MPG")])
@pytest.mark.parametrize("volume_share", [0.1, 0.25, 0.33, 0.4, 0.5, 0.57])
def test_heat_capacity(glycol: str, fluid: str, volume_share: float, props_si) -> None:
    """Within 2 %: linear in mass share, against Melinder's fit at 90 degC."""
    mass = coolant.glycol_mass_share(volume_share, glycol)
    expect = props_si("C", "T", 363.15, "P", 3e5, f"INCOMP::{fluid}-{100 * mass:.3f}%")
    assert coolant.heat_capacity_j_per_kgk(volume_share, glycol) == pytest.approx(expect, rel=0.02)


@pytest.mark.checks("thermal.coolant.glycol_mass_share")
@pytest.mark.parametrize(("glycol", "fluid", "rel"), [("ethylene", "MEG", 0.013), ("propylene", "MPG", 0.023)])
@pytest.mark.parametrize("mass", [0.3, 0.45, 0.55])
def test_density_before_mixing(glycol: str, fluid: str, rel: float, mass: float, props_si) -> None:
    """Ideal mixing volume against the mixture's true density: mixing contracts by 1-2 %."""
    low, high = 0.0, 0.7
    for _ in range(60):  # volume share that makes this mass share
        middle = 0.5 * (low + high)
        low, high = (middle, high) if coolant.glycol_mass_share(middle, glycol) < mass else (low, middle)
    pure = {"ethylene": 1113.5, "propylene": 1036.1}[glycol]
    ideal = low * pure + (1.0 - low) * 998.2
    assert ideal == pytest.approx(props_si("D", "T", 293.15, "P", 3e5, f"INCOMP::{fluid}-{100 * mass:.3f}%"), rel=rel)


@pytest.mark.checks("thermal.cooling.crossflow_effectiveness")
@pytest.mark.parametrize("ntu", [0.1, 0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("ratio", [0.1, 0.4, 0.75, 1.0])
def test_crossflow(ntu: float, ratio: float, lib) -> None:
    """The textbook formula to the last digit; the exact series within 1.7 % from NTU 1 on, 3.9 % below."""
    known = lib("ht.hx").effectiveness_from_NTU
    ours = float(cooling.crossflow_effectiveness(ntu, ratio))
    assert ours == pytest.approx(known(ntu, Cr=ratio, subtype="crossflow approximate"), rel=1e-9)
    assert ours == pytest.approx(known(ntu, Cr=ratio, subtype="crossflow"), rel=0.017 if ntu >= 1.0 else 0.039)
    parallel = known(ntu, Cr=ratio, subtype="parallel")
    assert parallel * 0.97 <= ours <= known(ntu, Cr=ratio, subtype="counterflow") * 1.0001


@pytest.mark.checks("thermal.cooling.radiator_map", "thermal.cooling.radiator_w_per_k")
def test_radiator_map(estate: Vehicle, lib) -> None:
    """Heat of the whole exchanger over a grid of flows, from UA and the library's effectiveness."""
    known = lib("ht.hx").effectiveness_from_NTU
    flows_air, flows_water = np.array([0.05, 0.4, 1.5]), np.array([0.1, 0.8, 2.0])
    grid = cooling.radiator_map(
        estate.cooling, air_kg_per_s=flows_air, coolant_kg_per_s=flows_water, coolant_cp_j_per_kgk=3580.0
    )
    for (i, j), got in np.ndenumerate(grid):
        c_air, c_water = flows_air[i] * 1006.0, flows_water[j] * 3580.0
        low, high = min(c_air, c_water), max(c_air, c_water)
        ua = cooling.radiator_ua_w_per_k(estate.cooling, air_kg_per_s=flows_air[i], coolant_kg_per_s=flows_water[j])
        expect = low * known(ua / low, Cr=low / high, subtype="crossflow approximate")
        assert got == pytest.approx(expect, rel=1e-9)


@pytest.mark.checks("thermal.cooling.radiator_w_per_k", "thermal.air.pressure_pa")
@pytest.mark.parametrize(("density", "expect"), [(1.05807, 0.9016), (0.90912, 0.8065)])
def test_radiator_loses_with_height(density: float, expect: float, estate: Vehicle) -> None:
    """Same volume flow of thinner air: exact cross-flow gives 0.9016 and 0.8065 at 1500 and 3000 m (ht 1.2.0)."""
    part = dataclasses.replace(estate.cooling, radiator_w_per_k=1500.0, air_side_share=0.7, air_exponent=0.6)

    def conductance(air_kg_per_s: float) -> float:
        return float(
            cooling.radiator_w_per_k(part, air_kg_per_s=air_kg_per_s, coolant_kg_per_s=1.5, coolant_cp_j_per_kgk=3650.0)
        )

    assert conductance(density / 1.225) / conductance(1.0) == pytest.approx(expect, abs=0.003)  # formula, not series


@pytest.mark.checks("thermal.cooling.surface_scale")
@pytest.mark.parametrize("speed_km_h", [40.0, 70.0, 120.0])
def test_forced_convection(speed_km_h: float, props_si, lib) -> None:
    """A turbulent plate: only the ratio to 100 km/h is ours, so the coefficient cancels."""
    plate = lib("ht.conv_external").Nu_horizontal_plate_turbulent_Schlichting
    mu, k, rho, cp = (props_si(name, "T", 350.0, "P", 101325.0, "Air") for name in "VLDC")
    speeds = np.array([speed_km_h, 100.0]) / 3.6
    ours = float(cooling.surface_scale(speeds[0], 1.225))
    h = [plate(rho * v * 0.45 / mu, mu * cp / k) for v in speeds]
    assert ours == pytest.approx(h[0] / h[1], rel=0.05)  # Schlichting's law has a logarithm in place of the 0.8 power


@pytest.mark.checks("thermal.oil.oil_from_viscosities")
@pytest.mark.parametrize(
    ("nu_40", "nu_100", "index"), [(62, 10.5, 159.3), (96, 14.4, 155.0), (108, 14.6, 139.1), (160, 18.0, 124.7)]
)
def test_viscosity_index_survives_the_line(nu_40: float, nu_100: float, index: float, lib) -> None:
    """ASTM D2270 by chemicals from the two points read back from Walther's line."""
    viscosity_index = lib("chemicals.viscosity").viscosity_index
    line = oil.oil_from_viscosities(at_40c_m2_per_s=nu_40 * 1e-6, at_100c_m2_per_s=nu_100 * 1e-6)
    got = viscosity_index(*(float(line.viscosity_m2_per_s(t)) for t in (313.15, 373.15)))
    assert got == pytest.approx(index, abs=0.06)


@pytest.mark.checks("thermal.driveline.spin_table")
def test_spin_table(estate: Vehicle) -> None:
    """Common practice: churning ~ viscosity^0.2-0.4, never more than sixfold; the viscosity by Walther's line."""
    lubricant = estate.differential_oil
    temps = np.array([263.15, 313.15, 353.15, 393.15])
    table = driveline.spin_table(lubricant, temps)
    nu = lubricant.oil.viscosity_m2_per_s(temps) / lubricant.oil.viscosity_m2_per_s(353.15)
    low, high = np.minimum(nu**0.2, nu**0.4), np.maximum(nu**0.2, nu**0.4)
    assert np.all((low - 1e-12 <= table) & (table <= np.minimum(high, 6.0) + 1e-12))
    assert table[2] == pytest.approx(1.0, rel=1e-12)
    assert np.all(np.diff(table) < 0.0)


@pytest.mark.checks("thermal.roadload.rolling_n", "thermal.roadload.drag_n")
@pytest.mark.parametrize(
    ("test_lb", "a_lbf", "b", "c", "stated_hp"),
    [(4500.0, 40.94, 0.0169, 0.0271, 14.6), (5000.0, 51.46512, -0.260687, 0.0362354, 17.2)],
)
def test_coast_down_of_two_real_cars(test_lb: float, a_lbf: float, b: float, c: float, stated_hp: float) -> None:
    """Road-load power at 50 mph as stated by the regulator (header of a public emissions model's file): +-0.05 hp."""
    lbf, mph, lb = 4.4482216152605, 0.44704, 0.45359237
    rolling = roadload.rolling_n(test_lb * lb, a_lbf / test_lb, 0.0)
    area = 2.0 * c * lbf / mph**2 / 1.2
    drag = roadload.drag_n(density_kg_per_m3=1.2, drag_area_m2=area, speed_m_per_s=50 * mph, headwind_m_per_s=0.0)
    power_w = (rolling + b * 50.0 * lbf + drag) * 50.0 * mph
    assert power_w / 745.69987 == pytest.approx(stated_hp, abs=0.05)


@pytest.mark.checks("thermal.roadload.rolling_n", "thermal.roadload.drag_n")
@pytest.mark.parametrize(
    ("mass_kg", "a_n", "b_n", "force_n", "power_kw"),
    [(1360.0, 7.1, 0.0481, 315.0, 7.0), (2270.0, 9.1, 0.0619, 405.0, 9.0)],
)
def test_dynamometer_table(mass_kg: float, a_n: float, b_n: float, force_n: float, power_kw: float) -> None:
    """UN R83's table at 80 km/h (secondary page): force to 0.5 N, power to 0.05 kW."""
    rolling = roadload.rolling_n(mass_kg, a_n / (mass_kg * roadload.G_M_PER_S2), 0.0)
    drag = roadload.drag_n(
        density_kg_per_m3=1.2, drag_area_m2=2.0 * b_n * 3.6**2 / 1.2, speed_m_per_s=80 / 3.6, headwind_m_per_s=0.0
    )
    assert rolling + drag == pytest.approx(force_n, abs=0.5)
    assert (rolling + drag) * 80 / 3600 == pytest.approx(power_kw, abs=0.05)


@pytest.mark.checks("thermal.brakes.rotor_heat_w", "thermal.roadload.climbing_n")
def test_descent_in_neutral() -> None:
    """Hand case: 1600 kg, 6 %, 60 km/h, 28 W/K and 14 kg of iron: 10.79 kW, +249.8 K after 10 km."""
    speed = 60 / 3.6
    force = -roadload.climbing_n(1600.0, -0.06) - roadload.rolling_n(1600.0, 0.012, -0.06)
    force -= roadload.drag_n(density_kg_per_m3=1.0, drag_area_m2=0.75, speed_m_per_s=speed, headwind_m_per_s=0.0)
    assert force * speed == pytest.approx(10_790.0, abs=10.0)
    rotors = float(brakes.rotor_heat_w(force * speed))
    assert rotors / 28.0 * (1.0 - np.exp(-600.0 * 28.0 / 6440.0)) == pytest.approx(249.8, abs=0.3)


@pytest.mark.checks("thermal.engine.engine_heat")
def test_engine_heat_is_all_accounted_for(estate: Vehicle) -> None:
    """First law: fuel less brake power is metal, oil and exhaust heat, also when the car drives the engine."""
    friction = float(engine.friction_w(estate.engine, np.asarray(300.0)))
    brake = np.array([-friction, -0.4 * friction, 0.0, 15e3, 90e3])
    heat = engine.engine_heat(estate.engine, brake_w=brake, speed_rad_per_s=np.full(5, 300.0))
    assert heat.metal_w + heat.oil_w + heat.exhaust_w == pytest.approx(heat.fuel_w - brake, rel=1e-12)
    assert heat.fuel_w[0] == 0.0  # cut on the overrun


@pytest.mark.checks("thermal.cooling.clutch_air_k", "thermal.cooling.clutch_temps_k")
@pytest.mark.parametrize("name", [n for n in CLASS_NAMES if read_class(n).vehicle.cooling.fan == "viscous"])
def test_a_viscous_clutch_feels_the_air_behind_the_radiator(name: str) -> None:
    """Trade guides (opened): it engages at 70 to 80 degC in that air; other guides and cars within 10 K of it.

    At idle with the A/C on in great heat that air is nearly as hot as the coolant, so the clutch has engaged where the
    coolant is cooler than on a grade; on a cruise in cool air it begins hotter.
    """
    part = read_class(name).vehicle.cooling
    begins_k, engaged_k = cooling.clutch_air_k(part)
    assert 60.0 <= begins_k - 273.15 <= engaged_k - 273.15 + 2.0 <= 92.0
    flows = [0.03, 1.09 * 0.2 * part.fan_flow_m3_per_s, 1.5, 0.3 * part.fan_flow_m3_per_s]
    front = cooling.Front(
        ram_kg_per_s=np.array(flows[::2]),
        fan_kg_per_s=np.array(flows[1::2]),
        grille_k=np.array([310.93, 294.0]),
        condenser_w=np.array([0.7 * part.condenser_heat_w, 0.0]),
        recirculated=np.array([part.recirculation, 0.0]),
        coolant_kg_per_s=np.array([0.2, 0.7]) * part.pump_flow_kg_per_s,
    )
    begins, engaged = cooling.clutch_temps_k(part, front, np.array([0.4, 0.25]))
    assert np.all(begins < engaged)
    assert engaged[0] < part.fan_on_k - 5.0
    assert begins[1] > part.fan_off_k + 5.0
