"""Alarm settings for the gauges, for every leg and the whole trip: expected fluid temperatures and oil pressures.

Temperatures are from the forecast's draws. Pressures follow the oil's viscosity at the expected temperatures. Below
the relief pressure p ~ nu rho N, as the pump's flow leaks through the bearings, laminar. The drop over a cooler is
between laminar, ~ mu Q, and turbulent, ~ mu^0.25 rho^0.75 Q^1.75 (Blasius). The reference is the owner's reading, else
common practice.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.analysis.alarm_marks import FluidAlarm, Series, fluid_alarm, settled
from planner.forecast.run import Forecast, span_of
from thermal.fluids import Fluid, fluids_in

_LEAST_RECORDED, _LONGEST_STEP_S = 3, 600.0
BAR = 1e5
_PER_1000_RPM_PA = 0.7 * BAR  # common practice, no source: at least 10 psi per 1000 rpm, oil hot
RELIEF_PA = 4.5 * BAR  # ASSUMED: relief valves open at 3.5 to 6 bar
_LEAST_IDLE_PA = 0.3 * BAR  # common practice, no source: hot idle at least 0.3 to 1 bar
_COOLER_PA = 0.5 * BAR  # ASSUMED: drop over a cooler and its lines at 3000 rpm and 100 degC, 0.2 to 1 bar
_SLACK, _SLACK_OWN = 0.3, 0.15  # allowed difference from the reference, as a share: rule of thumb, owner's own
_HOT_K, _RPM_1000 = 373.15, 1000.0 * 2.0 * np.pi / 60.0


class Reading(NamedTuple):
    """The owner's reading of a pressure, with oil temperature and engine speed."""

    pressure_pa: float
    oil_k: float
    engine_rad_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Readings of a sound car; None for common practice."""

    idle: Reading | None = None
    cruise: Reading | None = None
    cooler_drop: Reading | None = None

    @property
    def words(self) -> str:
        """Basis of the pressures."""
        own = [name for name, value in (("idle", self.idle), ("cruise", self.cruise)) if value is not None]
        first = f"oil pressure from your reading at {' and '.join(own)}"
        if not own:
            first = (
                "oil pressure from common practice, no source: at least 0.7 bar (10 psi) per 1000 rpm and 0.3 bar "
                "(4 psi) at idle, relief at 4.5 bar; your own readings are better"
            )
        drop = "your reading"
        if self.cooler_drop is None:
            drop = "ASSUMED 0.5 bar at 3000 rpm with hot oil; read yours while the car is sound"
        return f"{first}; cooler pressure drop from {drop}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """Alarms for one leg, or with `leg` None for the trip; oil pressures are for oil as hot as on this leg."""

    leg: int | None
    fluids: tuple[FluidAlarm, ...]
    idle_pa: tuple[float, float]
    cruise_pa: tuple[float, float]
    idle_least_pa: float  # alarm below this
    cruise_least_pa: float
    # Drop over the oil cooler, if any, at cruise; near zero is a burst line or an open bypass, above the band a blocked
    # cooler.
    drop_pa: tuple[float, float] | None


def alarm_cards(outlook: Forecast, reference: Reference | None = None) -> tuple[Card, ...]:
    """Make one card per leg, then the trip's."""
    known = reference or Reference()
    spans = [span_of(outlook, leg) for leg in range(len(outlook.legs))]
    legs = (_card(outlook, known, span.leg, np.arange(span.first, span.last + 1)) for span in spans)
    return (*legs, trip_card(outlook, known))


def trip_card(outlook: Forecast, reference: Reference | None = None) -> Card:
    """Make one card for all that is driven."""
    rows = np.flatnonzero(outlook.timeline.drive.speed_m_per_s > 0.0)
    return _card(outlook, reference or Reference(), None, rows)


def _series(outlook: Forecast, rows: npt.NDArray[np.int64], fluid: Fluid) -> Series:
    """One fluid in all draws where they were recorded on these segments, else the car as best known."""
    line, spread = outlook.timeline, outlook.spread
    recorded = np.flatnonzero(np.isin(spread.recorded, rows))
    if len(recorded) < _LEAST_RECORDED:
        at, temps = rows, outlook.nominal.temps_k[:1, rows, fluid.node]
        step = line.drive.duration_s[rows]
    else:
        at, temps = spread.recorded[recorded], spread.temps_k[:, recorded, fluid.node].astype(np.float64, order="C")
        step = np.clip(np.diff(line.end_s[at], prepend=line.begin_s[rows[0]]), 0.0, _LONGEST_STEP_S)
    return Series(temps, step, outlook.nominal.limit_k[at, fluid.index], settled(line.drive)[at])


def _card(outlook: Forecast, known: Reference, leg: int | None, rows: npt.NDArray[np.int64]) -> Card:
    fluids = tuple(_fluid(outlook, rows, f) for f in fluids_in(outlook.car.vehicle) if f.gauge)
    oil_k = next((f.marks.band_k for f in fluids if f.fluid == "engine_oil"), (_HOT_K, _HOT_K))
    engine = outlook.nominal.work.engine_rad_per_s[rows]
    idle, cruise = outlook.car.vehicle.engine.idle_speed_rad_per_s, float(np.median(engine[engine > 0.0]))
    idle_pa = pressure_band_pa(outlook, known.idle, known.cruise, oil_k=oil_k, engine_rad_per_s=idle)
    cruise_pa = pressure_band_pa(outlook, known.cruise, known.idle, oil_k=oil_k, engine_rad_per_s=cruise)
    share = 1.0 if known.idle is None and known.cruise is None else 0.8
    cooled = outlook.car.vehicle.oil_cooler.kind != "none"
    return Card(
        leg=leg,
        fluids=fluids,
        idle_pa=idle_pa,
        cruise_pa=cruise_pa,
        idle_least_pa=share * idle_pa[0],
        cruise_least_pa=share * cruise_pa[0],
        drop_pa=drop_band_pa(outlook, known.cooler_drop, oil_k=oil_k, engine_rad_per_s=cruise) if cooled else None,
    )


def _fluid(outlook: Forecast, rows: npt.NDArray[np.int64], fluid: Fluid) -> FluidAlarm:
    limit_k = float(np.min(outlook.nominal.limit_k[rows, fluid.index]))
    series, vehicle = _series(outlook, rows, fluid), outlook.car.vehicle
    return fluid_alarm(series, fluid, vehicle, thin_k=outlook.trip.thin_band_k, limit_k=limit_k)


def _viscosity(outlook: Forecast, temp_k: float) -> float:
    return float(outlook.car.vehicle.engine_oil.oil.viscosity_m2_per_s(np.asarray(temp_k)))


def oil_density_kg_per_m3(temp_k: float) -> float:
    """Density of engine oil.

    >>> oil_density_kg_per_m3(313.15), oil_density_kg_per_m3(393.15)
    (880.0, 820.0)
    """
    return 880.0 - 0.75 * (temp_k - 313.15)


def pressure_band_pa(
    outlook: Forecast,
    own: Reading | None,
    other: Reading | None,
    *,
    oil_k: tuple[float, float],
    engine_rad_per_s: float,
) -> tuple[float, float]:
    """Expected oil pressure at an engine speed, over the oil's expected temperatures."""
    base, slack = own or other, _SLACK_OWN
    if base is None:
        idling = engine_rad_per_s <= outlook.car.vehicle.engine.idle_speed_rad_per_s
        least_pa = _LEAST_IDLE_PA if idling else _PER_1000_RPM_PA * engine_rad_per_s / _RPM_1000
        return min(least_pa, RELIEF_PA), RELIEF_PA
    relief = max([RELIEF_PA, *(r.pressure_pa for r in (own, other) if r is not None)])
    ends = []
    for temp_k in (oil_k[1], oil_k[0]):
        thin = _viscosity(outlook, temp_k) / _viscosity(outlook, base.oil_k)
        dense = oil_density_kg_per_m3(temp_k) / oil_density_kg_per_m3(base.oil_k)
        ends.append(min(base.pressure_pa * thin * dense * engine_rad_per_s / base.engine_rad_per_s, relief))
    return (1.0 - slack) * ends[0], min((1.0 + slack) * ends[1], relief * (1.0 + slack))


_TABLE_RPM, _TABLE_K = (1500.0, 2500.0, 3500.0), (353.15, 373.15, 393.15)


class PressureRow(NamedTuple):
    """Expected oil pressure, least and most, at one engine speed for every oil temperature of the table."""

    engine_rad_per_s: float
    bands_pa: tuple[tuple[float, float], ...]


def pressure_table(outlook: Forecast, reference: Reference) -> tuple[tuple[float, ...], tuple[PressureRow, ...]]:
    """Oil pressure by engine speed and oil temperature: the temperatures [K], and a row for idle and every speed."""
    idle = outlook.car.vehicle.engine.idle_speed_rad_per_s
    rows = []
    for speed in (idle, *(rpm * 2.0 * np.pi / 60.0 for rpm in _TABLE_RPM)):
        own, other = (reference.idle, reference.cruise) if speed == idle else (reference.cruise, reference.idle)
        bands = tuple(
            pressure_band_pa(outlook, own, other, oil_k=(t, t), engine_rad_per_s=float(speed)) for t in _TABLE_K
        )
        rows.append(PressureRow(float(speed), bands))
    return _TABLE_K, tuple(rows)


def drop_band_pa(
    outlook: Forecast, own: Reading | None, *, oil_k: tuple[float, float], engine_rad_per_s: float
) -> tuple[float, float]:
    """Pressure drop over the oil cooler of a sound car."""
    base = own or Reading(_COOLER_PA, _HOT_K, 3.0 * _RPM_1000)
    slack = _SLACK_OWN if own is not None else _SLACK
    flow = engine_rad_per_s / base.engine_rad_per_s
    dense_0 = oil_density_kg_per_m3(base.oil_k)
    both = []
    for temp_k in oil_k:
        dense = oil_density_kg_per_m3(temp_k) / dense_0
        thick = _viscosity(outlook, temp_k) / _viscosity(outlook, base.oil_k) * dense  # dynamic
        both += [thick * flow, thick**0.25 * dense**0.75 * flow**1.75]
    return (1.0 - slack) * base.pressure_pa * min(both), (1.0 + slack) * base.pressure_pa * max(both)
