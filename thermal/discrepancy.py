"""How far the model itself may be off: by fluid, how much, for how long, and where it grows.

No setting of its factors makes a model of six bodies into the car. What is left is called model discrepancy (Kennedy
and O'Hagan, Bayesian calibration of computer models, J. R. Statist. Soc. B 63, 2001). It must stand in the prior and in
every forecast: left out, more data make a calibration surer and no truer (Brynjarsdottir and O'Hagan, Learning about
physical parameters: the importance of model discrepancy, Inverse Problems 30, 2014). Here it is a Gaussian process for
each fluid: a part that stays with the car, a part that stays for a day, a part that changes with the road. Its size
comes from days that took no part in a fit, and grows where no log has been: hotter, harder, higher, in other air.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.drive import Drive
from thermal.fluids import FLUID_KEYS, N_FLUID
from thermal.ranges import FloatArray
from thermal.vehicle import Vehicle

# ASSUMED shares of its variance, not measured: what stays with the car and with a day (0.1 to 0.3 each),
# what changes with the road, and what comes and goes in a sixth of that time: a shape the model does not have.
CAR_SHARE, DAY_SHARE, ROAD_SHARE, QUICK_SHARE = 0.15, 0.15, 0.3, 0.4
QUICK = 1.0 / 6.0
# ASSUMED growth outside what was logged. A kelvin beyond the fluid's hottest (or below its coldest) reading adds a
# quarter of a kelvin (0.15 to 0.4: a model that is off by a quarter in what it adds); the others are such quarters of
# what they usually do: air 1:1, 1 km of height about 4 K, 1 W/kg about 1 K to coolant and 2 K to oils.
BEYOND_K_PER_K, AIR_K_PER_K, HEIGHT_K_PER_M = 0.25, 0.2, 1e-3
LOAD_K_PER_W_PER_KG = np.array([0.2, 0.4, 0.5, 0.5, 0.2])  # by fluid
_LOAD_S = 600.0  # the load is smoothed over this, about a fluid's time constant
# ASSUMED, 5 to 12 K to coolant and engine oil: a long descent in cool air, where the engine makes less heat than
# heater, block, sump and a leaking thermostat may take. Nobody logs the heater, the engine's drag is known to a fifth,
# the air that it pumps takes heat away, and thermostats shut 5 to 12 K below where they open: workshop manuals (opened)
# say 80 to 84 degC and shut at 75 or 77, 100 degC and shut at 88. Nothing before half of the last minutes went
# downhill; all of it where the air is 10 degC or colder, nothing from 20 degC up, where no heater is on.
COAST_K = np.array([8.0, 8.0, 0.0, 0.0, 0.0])  # by fluid
_COAST_S, _COAST_WARM_K, _COAST_COLD_K = 300.0, 293.15, 283.15
AT_REST_K, LEAST_SHARE = 20.0, 0.15  # a car as cold as the air is known: the error grows in over these
SENDER_SD_K = 1.4  # ASSUMED, 1 to 1.5 K: on every log of a car alike, so that no number of logs tells it from the fluid
_G, _AIR_KG_PER_M3 = 9.81, 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidError:
    """Model error of one fluid where logged."""

    sd_k: float  # how far its level is off, its sender's own error in it: every forecast has it
    sender_k: float  # of that the sender's own, the same on every log, which readings do not show; 0 without logs
    timing_s: float  # how far a temperature that rises or falls may be ahead or behind
    weighs_k: float  # size that weighs readings in a fit, and the most in a verdict: warm-ups are in it
    lasting_s: float
    low_k: float  # coldest reading
    high_k: float  # hottest reading

    @property
    def stays(self) -> float:
        """Share of the level's error that stays, whatever is read: that of the sender's own. [-]."""
        return self.sender_k / self.sd_k


@dataclass(frozen=True, slots=True, kw_only=True)
class Discrepancy:
    """Model error of all fluids, and the conditions in which it was found."""

    fluids: Mapping[str, FluidError]  # one that is missing has the class's
    air_low_k: float  # coldest air
    air_high_k: float  # hottest air
    height_m: float  # greatest
    load_w_per_kg: float  # hardest ten minutes, see `asked_w_per_kg`
    thermostat_sd_k: float  # of where the thermostat opens

    def of(self, fluid: str) -> FluidError:
        """Error of one fluid, the class's where there was no gauge."""
        return self.fluids.get(fluid, CLASS_ERROR[fluid])

    def as_read(self) -> "Discrepancy":
        """The error of what gauges show: a fit follows a sender, so that its own error is in the fluid's alone."""
        read = {
            key: replace(one, sd_k=float(np.sqrt(max(one.sd_k**2 - one.sender_k**2, 0.0))), sender_k=0.0)
            for key, one in self.fluids.items()
        }
        return replace(self, fluids=read)

    def weighing(self) -> "Discrepancy":
        """The error by which a verdict weighs readings: a level as forecasts tell it, and the class's timing.

        At most what weighs a fit: of an automatic's fluid a forecast tells more, for hot climbs that no log covers.
        """
        weighed = {
            key: replace(one, sd_k=min(one.sd_k, one.weighs_k), sender_k=0.0, timing_s=CLASS_ERROR[key].timing_s)
            for key, one in self.fluids.items()
        }
        return replace(self, fluids=weighed)


# ASSUMED for a class without logs, so that factors and this give +-8 K on coolant and +-12 to 15 K on
# the oils at load, what common practice allows an uncalibrated forecast. Temperatures: those of level cruise, where
# makers and owners agree best. Lasting: half an hour to an hour, a stretch of road or the body's own time constant.
# Timing: one to four minutes.
CLASS_ERROR = {
    key: FluidError(sd_k=sd, sender_k=0.0, timing_s=timing, weighs_k=sd, lasting_s=lasting, low_k=300.0, high_k=high)
    for key, sd, timing, lasting, high in (
        ("coolant", 3.5, 75.0, 1800.0, 370.0),
        ("engine_oil", 7.0, 100.0, 1800.0, 375.0),
        ("transmission", 9.0, 120.0, 2400.0, 360.0),
        ("differential", 9.0, 150.0, 3600.0, 360.0),
        ("power_steering", 9.0, 100.0, 1800.0, 350.0),
    )
}
TIMING_S = np.array([CLASS_ERROR[key].timing_s for key in FLUID_KEYS])  # by fluid
UNFITTED = Discrepancy(
    fluids=CLASS_ERROR,
    air_low_k=273.0,
    air_high_k=303.0,
    height_m=1000.0,
    load_w_per_kg=14.0,
    thermostat_sd_k=3.0,
)


def asked_w_per_kg(drive: Drive, vehicle: Vehicle) -> FloatArray:
    """Specific power demand of the road, smoothed over the fluids' time constant, at each segment's end.

    Shape (n_segment,). Only the vehicle's mass and drag count; descents count as zero.
    """
    return _smoothed(np.maximum(_road_w_per_kg(drive, vehicle), 0.0), drive.duration_s, _LOAD_S)


def coasting(drive: Drive, vehicle: Vehicle) -> FloatArray:
    """How far a long descent in cool air lets an engine cool, 0 to 1, at each segment's end, shape (n_segment,). [-].

    Grows from 0 where half of the last five minutes the road gave power, to 1 where it did all the time.
    """
    cold = np.clip((_COAST_WARM_K - drive.air_k) / (_COAST_WARM_K - _COAST_COLD_K), 0.0, 1.0)
    falls = _road_w_per_kg(drive, vehicle) < 0.0
    if not np.any(falls & (cold > 0.0)):
        return np.zeros(len(cold))
    share = _smoothed(falls.astype(np.float64), drive.duration_s, _COAST_S)
    return np.asarray(cold * np.maximum(2.0 * share - 1.0, 0.0))


def _road_w_per_kg(drive: Drive, vehicle: Vehicle) -> FloatArray:
    """Specific power that the road demands, negative downhill."""
    body, trailer = vehicle.body, vehicle.trailer
    mass, area = body.mass_kg + trailer.mass_kg, body.drag_area_m2 + trailer.drag_area_m2
    v = drive.speed_m_per_s * (1.0 - drive.idle_share)
    return np.asarray(v * (_G * (drive.grade + body.rolling_coefficient) + 0.5 * _AIR_KG_PER_M3 * area * v**2 / mass))


def _smoothed(value: FloatArray, duration_s: FloatArray, over_s: float) -> FloatArray:
    """Exponential mean of what went before, at each segment's end."""
    keep = np.exp(-duration_s / over_s)
    out, held = np.empty(len(value)), 0.0
    for i, (now, k) in enumerate(zip(value.tolist(), keep.tolist(), strict=True)):
        held = held * k + now * (1.0 - k)
        out[i] = held
    return out


class Conditions(NamedTuple):
    """The part of the discrepancy that depends on the drive alone."""

    air_k: FloatArray  # shape (n_segment,)
    outside_k: FloatArray  # shape (n_segment, n_fluid): standard deviation outside what was logged


def conditions_of(known: Discrepancy, drive: Drive, vehicle: Vehicle) -> Conditions:
    """How far a drive goes beyond what was logged, in air, load and height, and how long downhill, by segment."""
    air = np.maximum(drive.air_k - known.air_high_k, 0.0) + np.maximum(known.air_low_k - drive.air_k, 0.0)
    load = np.maximum(asked_w_per_kg(drive, vehicle) - known.load_w_per_kg, 0.0)
    height = np.maximum(drive.elevation_m - known.height_m, 0.0)
    parts = (AIR_K_PER_K * air[:, None], LOAD_K_PER_W_PER_KG * load[:, None], HEIGHT_K_PER_M * height[:, None])
    coast = COAST_K * coasting(drive, vehicle)[:, None]
    return Conditions(drive.air_k, np.asarray(np.sqrt(sum((part**2 for part in parts), coast**2))))


def scale_k(
    known: Discrepancy,
    around: Conditions,
    rows: npt.NDArray[np.int64],
    temps_k: FloatArray,
    rate_k_per_s: FloatArray | None = None,
) -> FloatArray:
    """Standard deviation of the model's error, shape (..., n, n_fluid).

    `temps_k`, of that shape, are the model's fluids, and `rate_k_per_s` how fast they change, not at all when not
    given. `rows`, shape (..., n) or (..., n, n_fluid), has the segment of every temperature.
    """
    at = rows if rows.ndim == temps_k.ndim else rows[..., None]
    each = [known.of(fluid) for fluid in FLUID_KEYS]
    names = ("sd_k", "timing_s", "low_k", "high_k")
    sd, timing, low, high = (np.array([getattr(e, name) for e in each]) for name in names)
    beyond = np.maximum(temps_k - high, 0.0) + np.maximum(low - temps_k, 0.0)
    fluid = np.broadcast_to(np.arange(N_FLUID), temps_k.shape)
    outside = around.outside_k[np.broadcast_to(at, temps_k.shape), fluid]
    whole = np.hypot(sd, np.maximum(BEYOND_K_PER_K * beyond, outside))  # a load beyond what was logged heats beyond it
    whole = whole * grown_in(np.abs(temps_k - around.air_k[at]))
    return np.asarray(whole if rate_k_per_s is None else np.hypot(whole, timing * rate_k_per_s))


def grown_in(rise_k: FloatArray) -> FloatArray:
    """Share, 0.15 to 1, of the model's error that a fluid can have: one as cold as the air is known.

    `rise_k` is fluid less air, without sign.
    """
    return np.asarray(np.clip(rise_k / AT_REST_K, LEAST_SHARE, 1.0))


def rounded(known: Discrepancy) -> Discrepancy:
    """Round to what a vehicle file keeps, as it will be read again."""

    def tenth(kelvin: float) -> float:
        return round(kelvin - 273.15, 1) + 273.15

    return Discrepancy(
        fluids={
            name: FluidError(
                sd_k=round(e.sd_k, 1),
                sender_k=round(e.sender_k, 1),
                timing_s=float(round(e.timing_s)),
                weighs_k=round(e.weighs_k, 1),
                lasting_s=60.0 * round(e.lasting_s / 60.0),
                low_k=tenth(e.low_k),
                high_k=tenth(e.high_k),
            )
            for name, e in known.fluids.items()
        },
        air_low_k=tenth(known.air_low_k),
        air_high_k=tenth(known.air_high_k),
        height_m=float(round(known.height_m)),
        load_w_per_kg=round(known.load_w_per_kg, 2),
        thermostat_sd_k=round(max(known.thermostat_sd_k, 0.1), 1),
    )


def covariance_k2(
    sd_k: FloatArray, time_s: FloatArray, lasting_s: float, *, car: bool, flat: bool = False
) -> FloatArray:
    """Covariance of one fluid's model error along one drive, shape (n, n).

    `sd_k` is as from `scale_k`; the part that changes lasts `lasting_s`; with `car` the part that stays with the car is
    in it. If `flat`, the part that comes and goes is white noise, worth one error every half of its memory (ASSUMED,
    looked at on four measured drives). Else it is smooth within a minute, which nobody knows: a fit that believes it
    follows slopes, not levels, and forecast those drives worse than the class did.

    >>> np.round(covariance_k2(np.array([2.0, 2.0]), np.array([0.0, 1e6]), 1800.0, car=True), 2)
    array([[4. , 1.2],
           [1.2, 4. ]])
    """
    apart = np.abs(time_s[:, None] - time_s[None, :]) / lasting_s
    alike = (CAR_SHARE if car else 0.0) + DAY_SHARE + ROAD_SHARE * np.exp(-apart)
    if flat:
        step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else lasting_s
        alike[np.diag_indices(len(time_s))] += QUICK_SHARE * max(1.0, 0.5 * QUICK * lasting_s / step_s)
    else:
        alike = alike + QUICK_SHARE * np.exp(-apart / QUICK)
    return np.asarray(alike * np.outer(sd_k, sd_k))
