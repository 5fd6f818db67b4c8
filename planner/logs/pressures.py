"""Oil pressure and cooler pressure drop along a log, to detect a burst line or a worn pump."""

import numpy as np
import numpy.typing as npt

from planner.logs.drives import Driven
from thermal.vehicle import Vehicle

Floats = npt.NDArray[np.float64]
_RPM_1000 = 1000.0 * 2.0 * np.pi / 60.0
_LEAST_PA_PER_1000 = 0.7e5  # common practice, no source: at least 10 psi per 1000 rpm, oil hot
_HOT_K = 343.15  # ASSUMED: below 60 to 80 degC oil is too viscous to show pump wear
_ABOVE_IDLE = 1.3
# ASSUMED: relief valves hold what they reach within a tenth; above that share of the highest reading they are open.
_RELIEF_SHARE = 0.9
# ASSUMED: a sound engine's pressure over viscosity and speed varies by 20 to 25 % over a day.
_FELL_TO, _ROSE_TO, _LASTING_S = 0.6, 1.8, 60.0
_COOLER_RPM = 1500.0 * 2.0 * np.pi / 60.0
_LEAST_READINGS = 20


def pressure_words(vehicle: Vehicle, one: Driven) -> tuple[str, ...]:
    """Report pressures that are too low for speed and oil, or fell during the log."""
    found = [_oil_words(vehicle, one), _drop_words(vehicle, one)]
    return tuple(text for text in found if text)


def _together(one: Driven, name: str) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Times, pressures, engine speeds and oil temperatures of readings that have all three. [s, Pa, rad/s, K]"""
    channels = one.log.channels
    if not {name, "rpm", "engine_oil"} <= set(channels):
        return None
    series = channels[name]
    speed = channels["rpm"].at(series.time_s, oldest_s=5.0)
    oil = channels["engine_oil"].at(series.time_s, oldest_s=30.0)
    whole = np.isfinite(series.value) & np.isfinite(speed) & np.isfinite(oil)
    if whole.sum() < _LEAST_READINGS:
        return None
    return series.time_s[whole], series.value[whole], speed[whole], oil[whole]


def _fall(time_s: Floats, ratio: Floats) -> tuple[float, float] | None:
    """Time when a ratio leaves the range of its first half for a minute or more, and its relative value. [s, -]"""
    if len(ratio) < _LEAST_READINGS:
        return None
    usual = float(np.median(ratio[: max(len(ratio) // 2, 5)]))
    share = ratio / max(usual, 1e-12)
    off = (share < _FELL_TO) | (share > _ROSE_TO)
    edge = np.flatnonzero(np.diff(np.concatenate(([False], off, [False])).astype(np.int8)))
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        if time_s[b - 1] - time_s[a] >= _LASTING_S:
            return float(time_s[a]), float(np.median(share[a:b]))
    return None


def _oil_words(vehicle: Vehicle, one: Driven) -> str:
    """Oil pressure relative to speed and viscosity; not at idle, not with open relief valve."""
    found = _together(one, "oil_pressure")
    if found is None:
        return ""
    time_s, pressure, speed, oil_k = found
    pulling = (speed > _ABOVE_IDLE * vehicle.engine.idle_speed_rad_per_s) & (oil_k > _HOT_K)
    low = pulling & (pressure < _LEAST_PA_PER_1000 * speed / _RPM_1000)
    if low.sum() >= _LEAST_READINGS:
        at = int(np.flatnonzero(low)[0])
        return (
            f"LOW OIL PRESSURE: {pressure[at] / 1e5:.1f} bar at {speed[at] * 60.0 / (2.0 * np.pi):.0f} rpm, minute "
            f"{time_s[at] / 60.0:.0f}, and {int(low.sum())} similar readings; common practice requires "
            "0.7 bar (10 psi) per 1000 rpm. Stop at such a reading; the maker's figure takes precedence."
        )
    use = pulling & (pressure < _RELIEF_SHARE * float(pressure.max()))
    thick = vehicle.engine_oil.oil.viscosity_m2_per_s(oil_k)
    fell = _fall(time_s[use], (pressure / (thick * np.maximum(speed, 1.0)))[use])
    if fell is None:
        return ""
    way = "fell to" if fell[1] < 1.0 else "rose to"
    return (
        f"Oil pressure {way} {fell[1]:.0%} of its earlier value at the same speed and oil temperature, from minute "
        f"{fell[0] / 60.0:.0f}. Possible causes: oil level, pump, bearings, a line, or the sender. Stop and check."
    )


def _drop_words(vehicle: Vehicle, one: Driven) -> str:
    """Pressure drop across the oil cooler; only with open thermostat and at high pump speed."""
    found = _together(one, "cooler_drop")
    if found is None or vehicle.oil_cooler.kind == "none":
        return ""
    time_s, drop, speed, oil_k = found
    use = (speed > _COOLER_RPM) & (oil_k > max(vehicle.oil_cooler.full_k, _HOT_K)) & (drop > 0.0)
    fell = _fall(time_s[use], (drop / speed**1.4)[use])  # between laminar, ~ speed, and turbulent, ~ speed^1.75
    if fell is None:
        return ""
    if fell[1] < 1.0:
        said = (
            f"fell to {fell[1]:.0%} from minute {fell[0] / 60.0:.0f}. Possible causes: a burst line or an open "
            "bypass. Stop and check"
        )
        return f"Pressure drop across the oil cooler {said} for oil before driving on."
    said = f"rose to {fell[1]:.0%} from minute {fell[0] / 60.0:.0f}"
    return f"Pressure drop across the oil cooler {said}: the cooler is probably blocked."
