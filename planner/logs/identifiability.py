"""What a log can determine, in words: before the fit from the driving, after it from the results."""

from collections.abc import Collection, Sequence

import numpy as np

from planner.files.channels import CHANNELS
from planner.logs.drives import Driven
from planner.model.display import Units
from thermal.fit import CHURNING, Fit
from thermal.fluids import BODIES, FACTORS, fluid_of, fluids_in
from thermal.vehicle import Vehicle

_GRADE, _GRADE_S = 0.03, 180.0
_SECOND_LOAD = 0.02  # ASSUMED, 0.015 to 0.03: asks about as much again as a level road does
_TOLD, _HARDLY = 0.5, 0.2
_TOGETHER = 0.8
_FAR = 3.0
_ODD_TIMES, _ODD_K = 2.5, 4.0  # ASSUMED: normal day-to-day variation of a sound car is less
_COLD_K = 288.15  # ASSUMED: below this the cabin is heated
WORDS = {
    **{name: factor.words for name, factor in FACTORS.items()},
    "thermostat": "the temperature at which the thermostat opens",
    "cooling.heater_w_per_k": "heat taken by the cabin heater",
    "oil.heat_capacity_j_per_k": "heat capacity of the engine oil and sump, relative to the whole car's",
    "transmission.heat_capacity_j_per_k": "heat capacity of the transmission, relative to the whole car's",
    CHURNING: "the part of the differential's heat that comes of churning, not of load",
    "differential.heat_capacity_j_per_k": "heat capacity of the differential, relative to the whole car's",
}


def names_for(driven: Sequence[Driven], vehicle: Vehicle) -> tuple[str, ...]:
    """Choose parameters from the measured fluids."""
    bodies = {CHANNELS[fluid].node or 0 for one in driven for fluid in one.fluids}
    cold = min(float(np.min(one.drive.air_k)) for one in driven) < _COLD_K
    return names_in(vehicle, bodies, cold=cold)


def names_in(vehicle: Vehicle, bodies: Collection[int], *, cold: bool) -> tuple[str, ...]:
    """Choose parameters from the measured bodies; the heater too if it was cold.

    A differential's churning is asked for apart from its mesh: one grows with speed and thick oil, the other with load.
    """
    names: list[str] = []
    coolant, oil = fluid_of("coolant"), fluid_of("engine_oil")
    if {coolant.node, oil.node} & set(bodies):
        names += ["engine_heat", "capacity"]
    if coolant.node in bodies:
        names += [*coolant.factors, "thermostat"]
        names += ["cooling.heater_w_per_k"] if cold and vehicle.cooling.heater_w_per_k > 0.0 else []
    for fluid in fluids_in(vehicle):
        if fluid.node in bodies and fluid != coolant:
            names += [*fluid.factors, f"{BODIES[fluid.node].part}.heat_capacity_j_per_k"]
            names += [CHURNING] if fluid.key == "differential" else []
    without = {"converter"} if vehicle.gearbox.kind != "automatic" else set()
    without |= {"tank"} if vehicle.transmission_cooler.kind != "water" else set()
    return tuple(name for name in names if name not in without)


def _on_grade_s(one: Driven, steeper: float) -> float:
    """Time spent driving up grades steeper than a given one."""
    drive = one.drive
    return float(drive.duration_s[(drive.grade > steeper) & (drive.speed_m_per_s > 5.0)].sum())


def one_load(driven: Sequence[Driven]) -> bool:
    """Whether the logs hold one level of load only: together less than three minutes on grades above 2 %."""
    return sum(_on_grade_s(one, _SECOND_LOAD) for one in driven) < _GRADE_S


def cannot_teach(one: Driven, vehicle: Vehicle) -> tuple[str, ...]:
    """Report what a log cannot determine, from its driving."""
    drive, name, out = one.drive, one.log.name, []
    on_grade_s = _on_grade_s(one, _GRADE)
    if on_grade_s < _GRADE_S:
        lead = "has no grade" if on_grade_s == 0.0 else "has few grades"
        out.append(f"{name} {lead} above 3 %: it cannot determine behaviour on climbs.")
    coolant = one.readings.temp_k[:, fluid_of("coolant").node]
    if "coolant" in one.fluids:
        opens, full = vehicle.cooling.thermostat_open_k, vehicle.cooling.thermostat_full_k
        peak = float(np.nanmax(coolant))
        if peak < opens + 1.0:
            out.append(f"{name} never opens the thermostat: it cannot determine radiator or airflow.")
        elif peak < full - 1.0:
            out.append(f"{name} never opens the thermostat fully: it cannot determine the radiator's reserve.")
        first = coolant[np.isfinite(coolant)][0]
        if first > float(drive.air_k[0]) + 25.0:
            out.append(f"{name} starts warm: it cannot determine the warm-up time.")
    oil, cooler = one.readings.temp_k[:, fluid_of("engine_oil").node], vehicle.oil_cooler
    if "engine_oil" in one.fluids and cooler.kind != "none" and float(np.nanmax(oil)) < cooler.open_k + 2.0:
        out.append(f"{name} never opens the oil cooler's thermostat: it cannot determine the cooler.")
    quiet = [fluid_of(f).label for f, c in CHANNELS.items() if c.node is not None and f not in one.fluids]
    if quiet:
        out.append(
            f"{name} has no temperature of {', '.join(quiet)}: of {'these' if len(quiet) > 1 else 'that'} it "
            "teaches nothing."
        )
    return tuple(out)


def together(lines: Sequence[tuple[str, str]]) -> list[str]:
    """Merge identical sentences of several logs.

    >>> together([("a", "a has no grade."), ("b", "b has no grade."), ("b", "b starts warm.")])
    ['a, b: has no grade.', 'b: starts warm.']
    """
    held: dict[str, list[str]] = {}
    for name, line in lines:
        held.setdefault(line.removeprefix(name).lstrip(": "), []).append(name)
    return [f"{', '.join(names)}: {text}" for text, names in held.items()]


def found_words(found: Fit, *, one_load: bool) -> tuple[str, ...]:
    """Describe the results of a fit, and what it could not determine.

    With `one_load` churning and mesh are told apart by the oil's viscosity alone, which rests on the model's law: no
    more than weakly.
    """
    out = []
    for i, item in enumerate(found.unknowns):
        low, high = found.interval(i)
        if item.added:
            value = f"{found.estimate[i]:+.1f} K (90 %: {low:+.1f} to {high:+.1f})"
        else:
            value = f"× {found.estimate[i]:.2f} (90 %: {low:.2f} to {high:.2f})"
        share = max(float(found.learned[i]), 0.0)
        known_apart = not (one_load and item.name == CHURNING)
        told = (
            "well determined"
            if share >= _TOLD and known_apart
            else "weakly determined"
            if share >= _HARDLY
            else "not determined by this log; unchanged"
        )
        out.append(f"{WORDS.get(item.name, item.name)}: {value}, {told}.")
        away = float(found.estimate[i] if item.added else np.log(found.estimate[i])) / item.spread
        if abs(away) > _FAR:
            out.append(
                f"That is {abs(away):.0f} likely errors away from the vehicle file: check the units, stops and gauges "
                "of the log before using it."
            )
    pairs = found.correlation
    for i, one in enumerate(found.unknowns):
        for j in range(i):
            if abs(pairs[i, j]) >= _TOGETHER:
                other = found.unknowns[j]
                together = "both higher or both lower" if pairs[i, j] > 0.0 else "one higher and the other lower"
                out.append(
                    f"This log cannot separate {WORDS.get(other.name, other.name)} from "
                    f"{WORDS.get(one.name, one.name)}: {together} fits as well (correlation "
                    f"{pairs[i, j]:+.2f}). Forecasts use what they do together."
                )
    return tuple(out)


def error_words(found: Fit, logs: Sequence[str], units: Units) -> tuple[str, ...]:
    """Report the model error on this car, and logs that disagree with the others."""
    sizes = ", ".join(
        f"{fluid_of(key).label} ± {units.diff(one.sd_k):.0f}" for key, one in found.discrepancy.fluids.items()
    )
    part, unit = "logs" if len(logs) > 1 else "quarters of the log", units.temperature
    out = [
        f"The model's own error on this car, found on {part} left out of the fit: {sizes} {unit}. Every forecast "
        "includes it, and a larger error at heat, load or elevation outside the logs."
    ]
    for i, name in enumerate(logs):
        for key, left_k in found.left_out_k[i].items():
            rest = [one[key] for j, one in enumerate(found.left_out_k) if j != i and key in one]
            usual_k = float(np.median(rest)) if rest else left_k
            if left_k > max(_ODD_TIMES * usual_k, _ODD_K):
                out.append(
                    f"{name} does not agree with the other logs in {fluid_of(key).label}: off by "
                    f"{units.diff(left_k):.0f}, where they are off by {units.diff(usual_k):.0f} {unit}. Check that "
                    "day before using the fit; leave the log out if something was wrong."
                )
    return tuple(out)
