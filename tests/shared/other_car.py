"""A second maker of logs, on other physics than the model, to check the model and what it learns.

It uses nothing of the model's kernel, loads or driveline. Twelve states instead of six bodies: cylinder head, block,
coolant in the engine, coolant leaving the radiator, gallery oil, sump oil, fluid in the converter (gear film of a
manual box), its pan and case, axle oil, axle housing, the thermostat's wax, the air under the bonnet. Friction follows
Heywood's fit for car engines (1988, eq. 13.6, from memory), heat to the coolant a power of the fuel (about 0.8: a
usual form of such correlations, from memory), the thermostat lags and has hysteresis, a viscous fan follows the air
behind the radiator, wind gusts from ahead and from the side, the driver's speed varies, the condenser's heat follows
the weather. A car takes from a vehicle file only what an owner would enter, with an owner's usual errors. The rest is
drawn about usual sizes of the trade (ASSUMED, no source), so that level cruise, climbs, idle and warm-up fall within
the bands in which such cars usually run.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from thermal.drive import Drive
from thermal.ranges import FloatArray
from thermal.vehicle import Vehicle

HEAD, BLOCK, JACKET, RETURN, GALLERY, SUMP, CONVERTER, PAN, AXLE_OIL, HOUSING, WAX, UNDER, FAN, OPEN = range(14)
N_STATE = 14
C0, G, CP_AIR, CP_COOLANT = 273.15, 9.81, 1006.0, 3500.0


class Car(NamedTuple):
    """One drawn car, plain floats: gross figures first, then heat made, stored, passed on and lost."""

    mass_kg: float
    drag_area_m2: float
    rolling: float
    tyre_m: float
    axle_ratio: float
    low_ratio: float  # lowest and highest of four evenly spread gears
    top_ratio: float
    automatic: float
    lockup: float  # 1 where the converter may lock
    diesel: float
    litres: float
    peak_w: float
    peak_rad_per_s: float
    idle_rad_per_s: float
    efficiency: float
    heat_gain: float  # on the power law of heat to head and block
    oil_gain: float
    head_j: float
    block_j: float
    jacket_j: float
    return_j: float
    gallery_j: float
    sump_j: float
    converter_j: float
    pan_j: float
    axle_oil_j: float
    housing_j: float
    head_w_per_k: float
    block_w_per_k: float
    gallery_block_w_per_k: float
    block_air_w_per_k: float
    sump_air_w_per_k: float
    pan_air_w_per_k: float
    housing_air_w_per_k: float
    axle_film_w_per_k: float
    radiator_w_per_k: float
    face_m2: float
    ram: float
    fan_m_per_s: float
    fan_kind: float  # 0 electric, 1 viscous, 2 fixed
    fan_k: float
    pump_kg_per_s: float
    thermostat_k: float
    thermostat_range_k: float
    hysteresis_k: float
    wax_s: float
    most_open: float
    oil_cooler_air_w_per_k: float
    oil_cooler_water_w_per_k: float
    oil_cooler_k: float
    box_water_w_per_k: float
    box_air_w_per_k: float
    box_loss: float
    box_spin_w: float
    axle_loss: float
    axle_spin_w: float
    slip: float
    condenser_w: float
    heater_w_per_k: float


class Gauge(NamedTuple):
    """One sender: how much it sees of a second place, its lag, error and step."""

    place: int
    other: int
    share: float
    lag_s: float
    offset_k: float
    gain: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCar:
    """A drawn car with its gauges, one for each fluid."""

    car: Car
    gauges: tuple[Gauge, Gauge, Gauge, Gauge]


def draw_car(vehicle: Vehicle, seed: int) -> OtherCar:
    """Draw a car that its owner would describe by that vehicle file."""
    rng = np.random.default_rng([seed, 77])

    def about(value: float, sd: float) -> float:
        return float(value * np.exp(rng.normal(0.0, sd)))

    body, engine, cooling, box = vehicle.body, vehicle.engine, vehicle.cooling, vehicle.gearbox
    litres, automatic = engine.displacement_m3 * 1e3, box.kind == "automatic"
    size = (engine.peak_power_w / 1e5) ** 0.5
    diesel, oil, atf = engine.fuel == "diesel", vehicle.oil_cooler, vehicle.transmission_cooler
    plate = about(420.0, 0.25) if diesel else about(140.0, 0.25)
    car = Car(
        mass_kg=about(body.mass_kg + vehicle.trailer.mass_kg, 0.05),
        drag_area_m2=about(body.drag_area_m2 + vehicle.trailer.drag_area_m2, 0.08),
        rolling=about(0.0115, 0.08),
        tyre_m=body.tyre_radius_m,
        axle_ratio=vehicle.axle.ratio,
        low_ratio=box.ratios[0],
        top_ratio=box.ratios[-1],
        automatic=float(automatic),
        lockup=float(automatic and box.ratios[-1] < 0.9),
        diesel=float(diesel),
        litres=litres,
        peak_w=engine.peak_power_w,
        peak_rad_per_s=engine.peak_power_speed_rad_per_s,
        idle_rad_per_s=engine.idle_speed_rad_per_s,
        efficiency=about(0.43 if diesel else 0.36, 0.03),
        heat_gain=about(0.50 if diesel else 0.60, 0.08),
        oil_gain=about(1.0, 0.15),
        head_j=about(16e3 * size, 0.1),
        block_j=about(13e3 * litres**0.5 + 20e3, 0.1),
        jacket_j=about(18e3 * size, 0.1),
        return_j=about(16e3 * size, 0.1),
        gallery_j=about(3.5e3, 0.1),
        sump_j=about(20e3 + 4e3 * litres, 0.1),
        converter_j=about(14e3 if automatic else 7e3, 0.1),
        pan_j=about(26e3 if automatic else 11e3, 0.1),
        axle_oil_j=about(9e3, 0.1),
        housing_j=about(15e3, 0.1),
        head_w_per_k=about(850.0 * size, 0.1),
        block_w_per_k=about(620.0 * size, 0.1),
        gallery_block_w_per_k=about(120.0 + 55.0 * litres, 0.2),
        block_air_w_per_k=about(16.0, 0.2),
        sump_air_w_per_k=about(20.0, 0.2),
        pan_air_w_per_k=about(15.0 if automatic else 10.0, 0.2),
        housing_air_w_per_k=about(12.5, 0.15),
        axle_film_w_per_k=about(90.0, 0.2),
        radiator_w_per_k=about(840.0 * engine.peak_power_w / 1e5 + 360.0, 0.1),
        face_m2=about(0.16 + 0.06 * size, 0.1),
        ram=about(0.17, 0.15),
        fan_m_per_s=about(2.1, 0.15),
        fan_kind={"electric": 0.0, "viscous": 1.0, "fixed": 2.0}[cooling.fan],
        fan_k=cooling.thermostat_open_k + rng.normal(11.0, 2.0),
        pump_kg_per_s=about(1.1 + 0.5 * size, 0.15),
        thermostat_k=cooling.thermostat_open_k + rng.normal(0.0, 1.5),
        thermostat_range_k=about(11.0, 0.1),
        hysteresis_k=about(2.0, 0.3),
        wax_s=about(15.0, 0.3),
        most_open=1.0,
        oil_cooler_air_w_per_k=about(110.0, 0.25) if oil.kind == "air" else 0.0,
        oil_cooler_water_w_per_k=plate if oil.kind == "water" else 0.0,
        oil_cooler_k=oil.open_k,
        box_water_w_per_k=about(75.0, 0.25) if atf.kind == "water" or automatic else 0.0,
        box_air_w_per_k=about(45.0, 0.25) if atf.kind == "air" else 0.0,
        box_loss=about(0.026 if automatic else 0.017, 0.15),
        box_spin_w=about(1800.0 if automatic else 220.0, 0.2),
        axle_loss=about(0.022, 0.15),
        axle_spin_w=about(220.0, 0.2),
        slip=about(0.08, 0.2),
        condenser_w=cooling.condenser_heat_w * about(0.9, 0.1),
        heater_w_per_k=about(70.0, 0.25),
    )
    return OtherCar(car=car, gauges=_draw_gauges(rng))


def _draw_gauges(rng: np.random.Generator) -> tuple[Gauge, Gauge, Gauge, Gauge]:
    """Draw where each sender sits: head or hose, sump or gallery, pan or line, oil or plug."""
    spread = rng.uniform(size=4)
    offset, gain = rng.normal(0.0, [1.0, 1.5, 1.5, 1.5]), 1.0 + rng.normal(0.0, 0.012, 4)
    lag = rng.uniform([4.0, 15.0, 20.0, 40.0], [14.0, 40.0, 60.0, 110.0])
    places = ((JACKET, HEAD, 0.12), (SUMP, GALLERY, 0.5), (PAN, CONVERTER, 0.35), (AXLE_OIL, HOUSING, 0.5))
    made = [
        Gauge(a, b, float(most * s), float(t), float(o), float(g))
        for (a, b, most), s, t, o, g in zip(places, spread, lag, offset, gain, strict=True)
    ]
    return made[0], made[1], made[2], made[3]


def with_fault(one: OtherCar, fault: str, rng: np.random.Generator) -> OtherCar:
    """Add a fault; a gauge's goes to one of the four, up or down by 8 to 14 K."""
    car, gauges = one.car, list(one.gauges)
    changes: dict[str, dict[str, float]] = {
        "thermostat_open": {"thermostat_k": car.thermostat_k - 70.0},
        "thermostat_shut": {"thermostat_k": car.thermostat_k + 16.0},
        "fan_dead": {"fan_m_per_s": 0.0},
        "radiator_half": {"radiator_w_per_k": 0.5 * car.radiator_w_per_k, "ram": 0.6 * car.ram},
        "low_flow": {"pump_kg_per_s": 0.3 * car.pump_kg_per_s},
        "oil_cooler_bypassed": {"oil_cooler_air_w_per_k": 0.0, "oil_cooler_water_w_per_k": 0.0},
        "lockup_never": {"lockup": 0.0, "slip": 1.3 * car.slip},
        "axle_drag": {"axle_loss": 1.3 * car.axle_loss, "axle_spin_w": car.axle_spin_w + 350.0},
        "gauge_offset": {},
    }
    if fault == "gauge_offset":
        which = int(rng.integers(4))
        off = float(rng.choice([-1.0, 1.0]) * rng.uniform(9.0, 14.0))
        gauges[which] = gauges[which]._replace(offset_k=gauges[which].offset_k + off)
    changed = car._replace(**changes[fault])
    return OtherCar(car=changed, gauges=(gauges[0], gauges[1], gauges[2], gauges[3]))


class Second(NamedTuple):
    """What surrounds the car in one second."""

    speed: float
    accel: float
    grade: float
    pressure: float  # of the air, over that at sea level
    air_k: float
    road_rise_k: float
    wind: float
    side: float
    running: float
    ac: float
    heater: float


_jit = numba.njit(cache=True)


@_jit
def _smooth(x):  # type: ignore[no-untyped-def]
    x = min(max(x, 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


@_jit
def _film(speed, power):  # type: ignore[no-untyped-def]
    """Heat loss of a surface under the car, relative to that at 100 km/h."""
    return 0.22 + 0.78 * (speed / 27.8) ** power


@_jit
def _gear(p, speed, need_w, density):  # type: ignore[no-untyped-def]
    """Highest of four gears that neither lugs nor lacks power; engine speed in it. [rad/s]"""
    best, ratio = p.idle_rad_per_s, p.low_ratio
    for i in range(4):
        r = p.low_ratio * (p.top_ratio / p.low_ratio) ** (i / 3.0)
        turn = speed / p.tyre_m * p.axle_ratio * r
        x = turn / p.peak_rad_per_s
        able = p.peak_w * density * max(x + x * x - x**3, 0.0)
        fits = turn > (0.24 if p.diesel == 0.0 else 0.36) * p.peak_rad_per_s and need_w < 0.8 * able
        if i == 0 or fits or (best > 1.05 * p.peak_rad_per_s):
            best, ratio = max(turn, p.idle_rad_per_s), r
    return best, ratio


@_jit
def _work(p, s):  # type: ignore[no-untyped-def]
    """Wheel power, engine power, turbine power, engine speed, gear and slip loss. [W, W, W, rad/s, -, W]"""
    v = s.speed
    rho = 1.2 * s.pressure * 293.15 / s.air_k
    drag = 0.5 * rho * p.drag_area_m2 * (1.0 + 0.012 * abs(s.side)) * (v + s.wind) * abs(v + s.wind)
    wheel = v * (drag + p.mass_kg * (G * (s.grade + p.rolling * (1.0 + v / 80.0)) + 1.04 * s.accel))
    turn, ratio = _gear(p, v, max(wheel, 0.0) * 1.08, s.pressure)
    into_box = max(wheel, 0.0) * (1.0 + p.axle_loss + p.box_loss)
    share = into_box / (p.peak_w * s.pressure * min(max(turn / p.peak_rad_per_s, 0.2), 1.0))
    lost = 0.0
    if p.automatic > 0.0:
        locked = p.lockup > 0.0 and ratio < 1.01 and v > 16.0 and share < 0.75
        if v < 0.5:
            lost = 1100.0
        elif not locked:
            slip = p.slip * (0.35 + share) * (1.6 if v < 8.0 else 1.0)
            lost = into_box * slip + 250.0
            turn *= 1.0 + slip
    extra = 900.0 + 1600.0 * s.ac * _smooth((s.air_k - 283.0) / 25.0)
    crank = into_box + lost + extra if s.running > 0.0 else 0.0
    return wheel, crank, into_box, turn * s.running, ratio, lost * s.running


@_jit
def _heat(p, crank, turn):  # type: ignore[no-untyped-def]
    """Heat into head and block, into the oil, and fuel. [W]"""
    krpm = turn * 60.0 / (2.0 * math.pi) / 1000.0
    friction_bar = (0.97 + 0.15 * krpm + 0.05 * krpm * krpm) * (1.2 if p.diesel > 0.0 else 1.0)
    friction = friction_bar * 1e5 * p.litres * 1e-3 * krpm * 1000.0 / 120.0
    fuel = max((crank + friction) / p.efficiency, 0.0)
    return p.heat_gain * 1e3 * (fuel / 1e3) ** 0.8, p.oil_gain * (0.18 * friction + 0.006 * fuel), fuel


@_jit
def _radiator(p, y, s, flow, turn):  # type: ignore[no-untyped-def]
    """Heat the radiator passes, and the air's temperature behind it. [W, K]"""
    rammed = p.ram * max(s.speed + s.wind, 0.0) * (1.0 - 0.008 * abs(s.side))
    blown = p.fan_m_per_s * y[FAN] * s.running * (1.0 if p.fan_kind == 0.0 else min(0.35 + turn / 300.0, 1.4))
    face = (rammed**3 + blown**3 + 0.008) ** (1.0 / 3.0)
    air_w_per_k = 1.2 * s.pressure * 293.15 / s.air_k * p.face_m2 * face * CP_AIR
    entry = s.air_k + s.road_rise_k + 5.0 * math.exp(-s.speed / 3.0) * s.running
    entry += p.condenser_w * s.ac * _smooth((s.air_k - 285.0) / 22.0) / (air_w_per_k + 150.0) * 0.8
    water_w_per_k = flow * CP_COOLANT + 1.0
    least, most = min(air_w_per_k, water_w_per_k), max(air_w_per_k, water_w_per_k)
    passes = p.radiator_w_per_k * (face / 4.0) ** 0.5 * (0.35 + 0.65 * min(flow / 1.5, 2.0) ** 0.3)
    ntu, c = passes / least, least / most
    e = math.exp(-ntu * (1.0 - c))
    heat = (1.0 - e) / (1.0 - c * e + 1e-9) * least * (y[JACKET] - entry)
    return heat, entry + heat / (air_w_per_k + 60.0)


@_jit
def _valves(p, y, s, behind_k, dt):  # type: ignore[no-untyped-def]
    """Move the thermostat with its hysteresis, and the fan."""
    up = _smooth((y[WAX] - p.thermostat_k) / p.thermostat_range_k)
    down = _smooth((y[WAX] - p.thermostat_k + p.hysteresis_k) / p.thermostat_range_k)
    y[OPEN] = min(min(max(y[OPEN], up), max(down, up)), p.most_open)
    if p.fan_kind == 0.0:
        wanted = 1.0 if y[JACKET] > p.fan_k else (0.0 if y[JACKET] < p.fan_k - 6.0 else y[FAN])
        y[FAN] += (wanted - y[FAN]) * dt / 4.0
    elif p.fan_kind == 1.0:
        wanted = 0.25 + 0.75 * _smooth((behind_k - p.thermostat_k + 32.0) / 14.0)
        y[FAN] += (wanted - y[FAN]) * dt / 45.0
    else:
        y[FAN] = 0.85


@_jit
def _oils(p, y, s, d, work, made, dt):  # type: ignore[no-untyped-def]
    """Engine oil, gearbox and axle; returns what they give the coolant in the engine and in the return. [W, W]"""
    wheel, _, into_box, turn, ratio, lost = work
    krpm = turn * 0.0095493
    pumped = 450.0 * krpm + 15.0
    around = pumped * (y[GALLERY] - y[SUMP])
    block = p.gallery_block_w_per_k * (0.3 + 0.7 * min(krpm / 3.0, 1.5)) * (y[GALLERY] - y[BLOCK])
    open_ = _smooth((y[GALLERY] - p.oil_cooler_k) / 8.0) * min(krpm / 2.0, 1.0)
    to_air = p.oil_cooler_air_w_per_k * open_ * _film(s.speed, 0.6) * (y[GALLERY] - s.air_k)
    to_water = p.oil_cooler_water_w_per_k * min(krpm / 3.0, 1.2) * (y[GALLERY] - y[JACKET])
    d[GALLERY] = (made - around - block - to_air - to_water) / p.gallery_j
    below = 0.6 * s.air_k + 0.4 * y[UNDER]
    d[SUMP] = (around - p.sump_air_w_per_k * _film(s.speed, 0.75) * (y[SUMP] - below)) / p.sump_j
    thick = math.exp(-0.018 * (y[PAN] - 353.0))
    spin = p.box_spin_w * (krpm / 3.0) * min(thick, 4.0) * (1.0 if s.speed > 0.5 or p.automatic > 0.0 else 0.2)
    loss = p.box_loss * into_box * (0.5 if abs(ratio - 1.0) < 0.03 else 1.0)
    link = (120.0 if p.automatic > 0.0 else 45.0) * (0.15 + min(krpm / 2.0, 1.5)) * (y[CONVERTER] - y[PAN])
    water = p.box_water_w_per_k * min(krpm / 2.0, 1.3) * (y[CONVERTER] - y[RETURN])
    air = p.box_air_w_per_k * _film(s.speed, 0.6) * min(krpm / 2.0, 1.0) * (y[CONVERTER] - s.air_k)
    d[CONVERTER] = (lost + 0.6 * (spin + loss) - link - water - air) / p.converter_j
    gone = p.pan_air_w_per_k * _film(s.speed, 0.7) * (y[PAN] - below)
    d[PAN] = (link + 0.4 * (spin + loss) - gone) / p.pan_j
    churn = p.axle_spin_w * (s.speed / 27.8) ** 1.3 * min(math.exp(-0.02 * (y[AXLE_OIL] - 353.0)), 5.0)
    film = p.axle_film_w_per_k * (0.2 + 0.8 * min(s.speed / 20.0, 1.5)) * (y[AXLE_OIL] - y[HOUSING])
    d[AXLE_OIL] = (p.axle_loss * abs(wheel) + churn - film) / p.axle_oil_j
    out = p.housing_air_w_per_k * _film(s.speed, 0.65) * (y[HOUSING] - s.air_k - 3.0 * s.running)
    d[HOUSING] = (film - out) / p.housing_j
    return to_water, block, water


@_jit
def _step(p, y, s, d, dt):  # type: ignore[no-untyped-def]
    """One explicit step; returns engine speed, load share and fuel power."""
    work = _work(p, s)
    turn = work[3]
    heat, oil_heat, fuel = _heat(p, work[1], turn)
    heat, oil_heat = heat * s.running, oil_heat * s.running
    pumped = p.pump_kg_per_s * (turn / 314.0) ** 0.9 + 0.004
    flow = pumped * (0.015 + 0.985 * y[OPEN])
    passed, behind = _radiator(p, y, s, flow, turn)
    stir = 0.12 + 0.88 * min(turn / 314.0, 1.6) ** 0.6 * min(pumped / p.pump_kg_per_s + 0.5, 1.0)
    to_water, oil_block, box_water = _oils(p, y, s, d, work, oil_heat, dt)
    head, block = p.head_w_per_k * stir * (y[HEAD] - y[JACKET]), p.block_w_per_k * stir * (y[BLOCK] - y[JACKET])
    between = 260.0 * (y[HEAD] - y[BLOCK])
    out = p.block_air_w_per_k * _film(s.speed, 0.6) * (y[BLOCK] - y[UNDER])
    carried = flow * CP_COOLANT * (y[JACKET] - y[RETURN])
    cabin = p.heater_w_per_k * s.heater * min(turn / 150.0, 1.2) * (y[JACKET] - s.air_k)
    d[HEAD] = (0.62 * heat - head - between) / p.head_j
    d[BLOCK] = (0.38 * heat - block + between - out + oil_block) / p.block_j
    d[JACKET] = (head + block + to_water - carried - cabin) / p.jacket_j
    d[RETURN] = (carried - passed + box_water) / p.return_j
    d[WAX] = (y[JACKET] - y[WAX]) / p.wax_s
    warm = 0.35 * (behind - s.air_k) + (8.0 if s.speed < 2.0 else 3.0)
    d[UNDER] = (s.air_k + warm - y[UNDER]) / 60.0
    _valves(p, y, s, behind, dt)
    for i in range(FAN):
        y[i] += dt * d[i]
    return turn, min(work[1] / (p.peak_w * s.pressure), 1.5), fuel


@_jit
def _run(before, after, onset_s, rows, start, out, extra):  # type: ignore[no-untyped-def]
    """Step through the seconds, half a second a step; `after` is the car from `onset_s` on."""
    y, d = start.copy(), np.zeros(N_STATE)
    for i in range(rows.shape[0]):
        r = rows[i]
        s = Second(r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], r[8], r[9], r[10])
        p = before if i < onset_s else after
        turn, load, fuel = _step(p, y, s, d, 0.5)
        _step(p, y, s, d, 0.5)
        out[i] = y
        extra[i, 0], extra[i, 1], extra[i, 2] = turn, load, fuel
    return y


def run_seconds(
    car: Car, rows: FloatArray, start: FloatArray, *, after: Car | None = None, onset_s: float = 1e9
) -> tuple[FloatArray, FloatArray]:
    """States after every second, and engine speed, load and fuel power."""
    out, extra = np.empty((len(rows), N_STATE)), np.empty((len(rows), 3))
    _run(car, car if after is None else after, float(onset_s), np.ascontiguousarray(rows), start, out, extra)
    return out, extra


def cold_state(air_k: float) -> FloatArray:
    """A car that stood overnight."""
    start = np.full(N_STATE, air_k)
    start[FAN:] = 0.0
    return start


def seen_places(one: OtherCar, states: FloatArray) -> FloatArray:
    """Temperatures where the four senders sit, without their errors: what a perfect gauge there would read. [K]"""
    return np.column_stack(
        [states[:, g.place] + g.share * (states[:, g.other] - states[:, g.place]) for g in one.gauges]
    )


def gauge_readings(one: OtherCar, places_k: FloatArray, rng: np.random.Generator, *, step_k: float = 1.0) -> FloatArray:
    """Readings of the gauges, a row a second, with their lag, error and steps. [K]"""
    from scipy.signal import lfilter

    columns = []
    for gauge, true in zip(one.gauges, places_k.T, strict=True):
        keep = math.exp(-1.0 / gauge.lag_s)
        late = lfilter([1.0 - keep], [1.0, -keep], true - true[0]) + true[0]
        off = gauge.offset_k + (gauge.gain - 1.0) * (late - C0 - 60.0)
        shown = late + off + rng.normal(0.0, 0.25, len(late)) - C0
        columns.append(np.round(shown / step_k) * step_k + C0)
    return np.column_stack(columns)


def wander(n: int, sd: float, lasting_s: float, rng: np.random.Generator) -> FloatArray:
    """A quantity that wanders about zero, a value a second."""
    from scipy.signal import lfilter

    keep = math.exp(-1.0 / lasting_s)
    shocks = rng.normal(0.0, sd * math.sqrt(1.0 - keep**2), n)
    shocks[:1] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def seconds_of(drive: Drive, seed: int) -> FloatArray:
    """A planned drive as a driver drives it, second by second: speed varies, wind gusts. Shape (n_second, 11)."""
    rng = np.random.default_rng([seed, 5])
    edge = np.concatenate(([0.0], np.cumsum(drive.duration_s)))
    at = np.arange(0.0, edge[-1])
    i = np.clip(np.searchsorted(edge, at, side="right") - 1, 0, len(drive.duration_s) - 1)
    n = len(at)
    stands = rng.uniform(size=len(drive.duration_s))[i] < 0.0
    share = (at - edge[i]) / drive.duration_s[i]
    stands |= share < drive.idle_share[i]
    speed = np.where(stands, 0.0, drive.speed_m_per_s[i])
    moving = speed > 3.0
    speed = np.where(moving, np.maximum(speed + wander(n, 0.8, 40.0, rng), 0.5), speed)
    speed = np.convolve(np.pad(speed, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")
    accel = np.clip(np.gradient(speed), -2.5, 2.0) if n > 1 else np.zeros(n)
    mean_wind = rng.normal(0.0, 2.0)
    wind = mean_wind + wander(n, 1.5, 90.0, rng) + drive.headwind_m_per_s[i]
    side = rng.normal(0.0, 2.5) + wander(n, 1.5, 90.0, rng)
    pressure = np.exp(-drive.elevation_m[i] / 8400.0)
    around = (drive.grade[i], pressure, drive.air_k[i], drive.road_rise_k[i], np.maximum(wind, -speed), side)
    switches = (drive.engine_on[i], drive.ac_on[i], drive.heater_on[i])
    return np.column_stack((speed, accel, *around, *switches))


def true_k(
    one: OtherCar, drive: Drive, at_s: FloatArray, *, seed: int, start_k: FloatArray | None = None
) -> FloatArray:
    """True temperatures of the four fluids, where their senders sit, at times of a planned drive. Shape (n, 4). [K]

    `seed` sets driver and wind; `start_k` is as in `run_seconds`, else the car stood overnight.
    """
    rows = seconds_of(drive, seed)
    start = cold_state(float(drive.air_k[0])) if start_k is None else start_k
    states, _ = run_seconds(one.car, rows, start)
    places = seen_places(one, states)
    return np.asarray(places[np.clip(np.asarray(at_s, dtype=np.int64) - 1, 0, len(places) - 1)])
