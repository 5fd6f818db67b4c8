"""One call: a drive and a vehicle in, temperatures and margins out."""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal import coolant, kernel
from thermal.air import pressure_pa
from thermal.cooling import radiator_map
from thermal.drive import Drive
from thermal.driveline import spin_table
from thermal.errors import SolverError
from thermal.fluids import FLUIDS, N_BODY, N_FLUID, each_body, limit_of, node_of
from thermal.loads import Loads, Work, compute_loads
from thermal.ranges import FloatArray
from thermal.slopes import road_slopes
from thermal.vehicle import Vehicle

# Local error per step: chosen so that a whole day stays within 0.05 K of LSODA (docs/validation.md).
TOLERANCE_K = 0.005
_FANS = {"electric": kernel.ELECTRIC, "viscous": kernel.VISCOUS, "fixed": kernel.FIXED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a simulation gives back."""

    temps_k: FloatArray  # shape (n_draw, n_recorded, n_body): at recorded segments' ends, as `fluids.BODIES`
    recorded: npt.NDArray[np.int64]  # segment of each recorded row
    margin_k: FloatArray  # shape (n_draw, n_group, n_fluid): smallest limit less temperature
    where: npt.NDArray[np.int64]  # same shape: segment at whose end that occurs
    limit_k: FloatArray  # shape (n_segment, n_fluid)
    heat_in_j: FloatArray  # shape (n_draw,), over the drive
    heat_out_j: FloatArray  # shape (n_draw,), given to the air
    steps: FloatArray  # shape (n_draw,), taken
    work: Work  # of the engine, per segment
    # shape (n_draw, n_group, n_fluid, n_node): margins if the model's error had each size of `error_path.NODES`
    were_k: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0, 0)))


class Ready(NamedTuple):
    """What `simulate` needs of a drive and a vehicle whatever is drawn, worked out once."""

    loads: Loads
    work: Work
    car: kernel.Car
    limit_k: FloatArray
    table: FloatArray  # of the loads


def make_ready(
    drive: Drive, vehicle: Vehicle, *, drawn: bool = True, like: Ready | None = None, begin: int = 0
) -> Ready:
    """Work out what does not depend on the draws, for `simulate` to drive the same drive some draws at a time.

    If road load or wind are `drawn`, they need slopes of the road's loads. `like` is of the same vehicle and a drive
    that is the same up to segment `begin`.
    """
    loads, work = _loads_of(drive if like is None or begin == 0 else drive.take(slice(begin - 1, None)), vehicle, drawn)
    if like is not None and begin > 0:  # a segment more was worked out, as speeds change from one to the next
        loads = Loads(*(np.concatenate((a[:begin], b[1:])) for a, b in zip(like.loads, loads, strict=True)))
        work = Work(*(np.concatenate((a[:begin], b[1:])) for a, b in zip(like.work, work, strict=True)))
    limit = limits_k(vehicle, drive.elevation_m)
    return Ready(loads, work, car_constants(vehicle, loads), limit, kernel.table_of(loads))


def _loads_of(drive: Drive, vehicle: Vehicle, drawn: bool) -> tuple[Loads, Work]:
    loads, work = compute_loads(vehicle, drive)
    return (loads._replace(slope=road_slopes(vehicle, drive, loads, work)) if drawn else loads), work


def car_constants(vehicle: Vehicle, loads: Loads) -> kernel.Car:
    """Arrange a vehicle for the kernel: constants, radiator map, spin tables.

    Its `loads` bound the flows the radiator's map must cover.
    """
    cooling = vehicle.cooling
    cp = coolant.heat_capacity_j_per_kgk(cooling.glycol_share, cooling.glycol)
    air_max = 2.0 * float(np.max(np.hypot(loads.ram_kg_per_s, loads.fan_kg_per_s)))
    flow_max = 1.05 * float(np.max(loads.pump_kg_per_s))
    grid = np.linspace(0.0, 1.0, kernel.MAP_SIZE)
    temps = kernel.TABLE_LOW_K + kernel.TABLE_STEP_K * np.arange(kernel.TABLE_SIZE, dtype=np.float64)
    return kernel.Car(
        capacity=each_body(lambda body: node_of(vehicle, body).heat_capacity_j_per_k),
        area=each_body(lambda body: node_of(vehicle, body).area_m2 * body.open_share),
        emissivity=each_body(lambda body: node_of(vehicle, body).emissivity),
        thermostat_open_k=cooling.thermostat_open_k,
        thermostat_full_k=cooling.thermostat_full_k,
        fan_kind=_FANS[cooling.fan],
        fan_on_k=cooling.fan_on_k,
        fan_off_k=cooling.fan_off_k,
        oil_open_k=vehicle.oil_cooler.open_k,
        oil_full_k=vehicle.oil_cooler.full_k,
        gearbox_open_k=vehicle.transmission_cooler.open_k,
        gearbox_full_k=vehicle.transmission_cooler.full_k,
        axle_open_k=vehicle.differential_cooler.open_k,
        axle_full_k=vehicle.differential_cooler.full_k,
        steering=float(vehicle.steering.kind == "hydraulic"),
        steering_open_k=vehicle.power_steering_cooler.open_k,
        steering_full_k=vehicle.power_steering_cooler.full_k,
        coolant_cp=cp,
        map_air_max=air_max,
        map_coolant_max=flow_max,
        radiator=radiator_map(
            cooling,
            air_kg_per_s=np.maximum(air_max * grid**2, 1e-4),
            coolant_kg_per_s=flow_max * grid,
            coolant_cp_j_per_kgk=cp,
        ).ravel(),
        gearbox_spin=spin_table(vehicle.transmission_oil, temps),
        axle_spin=spin_table(vehicle.differential_oil, temps),
        steering_spin=spin_table(vehicle.power_steering_oil, temps),
    )


def limits_k(vehicle: Vehicle, elevation_m: FloatArray) -> FloatArray:
    """Limit of every fluid at points of the road, shape (n, n_fluid).

    Coolant: the lower of the owner's figure and boiling at that height less the pump-inlet allowance.
    """
    cooling = vehicle.cooling
    boiling = coolant.boiling_k(
        pressure_pa(elevation_m) + cooling.cap_pressure_pa, cooling.glycol_share, cooling.glycol
    )
    flat = np.array([limit_of(vehicle, fluid).limit_k for fluid in FLUIDS])
    table = np.repeat(flat[None, :], len(elevation_m), axis=0)
    for fluid in FLUIDS:
        if fluid.limit_kind == "boiling":
            table[:, fluid.index] = np.minimum(table[:, fluid.index], boiling - cooling.inlet_allowance_k)
    return table


def nominal(n_draw: int = 1) -> kernel.Factors:
    """Factors of the car as described, all ones, `n_draw` times."""
    return kernel.Factors(*(np.ones(n_draw) for _ in kernel.Factors._fields))


def cold_start_k(drive: Drive) -> FloatArray:
    """Temperatures of a car that stood overnight: the first segment's air for every body, shape (n_body,)."""
    return np.full(N_BODY, drive.air_k[0])


def simulate(
    drive: Drive,
    vehicle: Vehicle,
    *,
    start_k: FloatArray | None = None,
    factors: kernel.Factors | None = None,
    ambient_k: FloatArray | None = None,
    record: npt.NDArray[np.int64] | None = None,
    tolerance_k: float = TOLERANCE_K,
    begin: int = 0,
    ready: Ready | None = None,
) -> Result:
    """Forecast every fluid along a drive, at speeds the car can hold; docs/api.ipynb has an example.

    Raises `SolverError` if a temperature ceases to be a number, which no accepted vehicle should cause.

    Parameters
    ----------
    start_k : ndarray, shape (n_body,) or (n_draw, n_body), optional
        Temperatures at the start; the air's when not given. [K]
    factors : kernel.Factors, optional
        Draws; the car as described when not given.
    ambient_k : ndarray, shape (n_draw, n_day), optional
        Shift of the air temperature per draw and day; none when not given. [K]
    record : ndarray of int, optional
        Segments whose temperatures are wanted; all when not given. [-]
    tolerance_k : float
        Local error allowed per step. [K]
    begin : int
        Segment to begin with, what lies before being behind the car; all that is recorded lies after. [-]
    ready : Ready, optional
        Of the same drive and vehicle; worked out when not given.
    """
    draws = nominal() if factors is None else factors
    moved = any(np.any(factor != 1.0) for factor in (draws.mass, draws.drag, draws.wind))
    loads, work, car, limit, table = ready or make_ready(drive, vehicle, drawn=moved)
    n_draw, n_segment = len(draws.airflow), len(drive.duration_s)
    days, groups = drive.day.astype(np.int64), drive.group.astype(np.int64)
    shift = np.zeros((n_draw, int(days.max()) + 1)) if ambient_k is None else ambient_k
    rows = np.arange(begin, n_segment) if record is None else np.asarray(record, dtype=np.int64)
    place = np.full(n_segment, -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    first_k = np.ascontiguousarray(
        np.broadcast_to(cold_start_k(drive) if start_k is None else start_k, (n_draw, N_BODY))
    )
    temps = np.empty((n_draw, len(rows), N_BODY))
    margin = np.full((n_draw, int(groups.max()) + 1, N_FLUID), np.inf)
    where = np.zeros(margin.shape, dtype=np.int64)
    ledger = np.zeros((n_draw, 3))
    ahead = slice(begin, n_segment)
    kernel.march(
        type(loads)(*(values[ahead] for values in loads)),
        car,
        draws,
        shift,
        days[ahead],
        groups[ahead],
        limit[ahead],
        first_k,
        place[ahead],
        tolerance_k,
        temps,
        margin,
        where,
        ledger,
        table[ahead],
    )
    if not np.all(np.isfinite(ledger)):
        message = f"{vehicle.name}: a temperature became NaN; please report the vehicle and trip"
        raise SolverError(message)
    return Result(
        temps_k=temps,
        recorded=rows,
        margin_k=margin,
        where=where + begin,
        limit_k=limit,
        heat_in_j=ledger[:, 0],
        heat_out_j=ledger[:, 1],
        steps=ledger[:, 2],
        work=work,
    )
