"""Text of the review: limits passed, agreement with the model, likely causes, heat or air flow."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS
from planner.logs.drives import Driven
from planner.logs.peaks import Peak
from planner.model.display import METRIC, Units
from thermal.beyond import Beyond
from thermal.cause_list import COOLING, FAMILIES, GEARBOX, NAMES, WORDS
from thermal.causes import UNEXPLAINED, USUAL, Verdict, alike
from thermal.drive import Drive
from thermal.fluids import fluid_of, limit_of
from thermal.log_drive import Readings
from thermal.residuals import modelled_k
from thermal.simulate import limits_k
from thermal.spread import medians
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
COOLANT = fluid_of("coolant").node
_SURE = 0.8  # ASSUMED: what the causes named have together for "probably" to go unsaid, 0.7 to 0.9
_LIKELY = 0.6  # and for "probably", 1.5 to 1: below, odds are printed as about even
_CLEAR = 20.0  # odds at which one cause is named alone within its family
# The largest odds printed: the test days of the review (docs/learning.md) are too few to support
# any larger.
_MOST_ODDS = 20.0
_MOST_NAMED = 4
_INSIDE_LEAST = 0.7  # share of readings; 90 % should be within the band
_LESS_AIR, _COOLER_AIR_K = 0.7, 10.0
_TOLD_K = 5.0  # ASSUMED: smallest detectable effect, 3 to 8 K


def every_other(readings: Readings) -> Readings:
    """Every second reading, since neighbours are correlated."""
    return Readings(time_s=readings.time_s[::2], temp_k=readings.temp_k[::2], start_k=readings.start_k)


# --- limits -----------------------------------------------------------------------------------------------------------


def passed_words(vehicle: Vehicle, one: Driven, units: Units) -> tuple[str, ...]:
    """Report limits and cautions passed, limits first."""
    edge_s = np.cumsum(one.drive.duration_s)
    limits = limits_k(vehicle, one.drive.elevation_m)
    step_s = np.diff(one.readings.time_s, append=one.readings.time_s[-1])
    over, near = [], []
    for fluid in one.fluids:
        about = fluid_of(fluid)
        f = about.index
        read = one.readings.temp_k[:, CHANNELS[fluid].node or 0]
        limit = np.interp(one.readings.time_s, edge_s, limits[:, f])
        caution = np.minimum(limit_of(vehicle, about).caution_k, limit)
        name, u = fluid_of(fluid).label, units.temperature
        at = int(np.nanargmax(read - limit))
        top = f"{units.temp(float(read[at])):.0f} {u} at minute {one.readings.time_s[at] / 60.0:.0f}"
        if read[at] >= limit[at]:
            lasted = _minutes(float(step_s[read >= limit].sum()))
            over.append(
                f"LIMIT PASSED: {name} read {top}; its limit there is {units.temp(float(limit[at])):.0f} {u}; "
                f"time above it: {lasted}. Find the cause before the next drive, whatever the verdict below."
            )
        elif np.any(read >= caution):
            lasted = _minutes(float(step_s[read >= caution].sum()))
            mark = units.temp(float(limit_of(vehicle, about).caution_k))
            near.append(f"Caution passed: {name} read {top}; time above {mark:.0f} {u}: {lasted}.")
    return (*over, *near)


def _minutes(seconds: float) -> str:
    """A time in whole minutes."""
    return "less than a minute" if seconds < 60.0 else f"{seconds / 60.0:.0f} min"


# --- agreement --------------------------------------------------------------------------------------------------------


def outside_words(one: Driven, band_k: Floats) -> tuple[str, ...]:
    """Report fluids that leave the model's 90 % band `band_k`, shape (2, n, 6)."""
    out = []
    for fluid in one.fluids:
        node = CHANNELS[fluid].node or 0
        read = one.readings.temp_k[:, node]
        seen = np.isfinite(read)
        inside = float(np.mean((read >= band_k[0, :, node])[seen] & (read <= band_k[1, :, node])[seen]))
        if inside < _INSIDE_LEAST:
            out.append(
                f"{fluid_of(fluid).label}: {inside:.0%} of the readings are within the 90 % band; the model and "
                "this drive disagree. See the verdict below."
            )
    return tuple(out)


def beyond_words(beyond: Sequence[Beyond], units: Units) -> tuple[str, ...]:
    """Report fluids that stay beyond their interval."""
    return tuple(
        f"The {NAMES[one.node]} stays {'above' if one.most_k > 0.0 else 'below'} its 90 % interval for "
        f"{_minutes(one.lasted_s)}, by up to {units.diff(abs(one.most_k)):.0f} {units.temperature}: the model does not "
        "explain that."
        for one in beyond
    )


# --- the answer -------------------------------------------------------------------------------------------------------


def verdict_words(
    verdicts: Sequence[Verdict], drive: Drive | None = None, units: Units = METRIC, *, passed: bool = False
) -> str:
    """Verdict in one sentence: nothing unusual, the car, none of the causes tried, or undetermined.

    >>> one = [Verdict(name="usual", words="nothing", probability=0.9, value=0.0, rmse_k=1.0)]
    >>> verdict_words(one)
    'Nothing unusual found: what is left is what cars, days, gauges and this model usually differ by (odds 9 to 1).'
    """
    near = named(verdicts)
    first, odds = near[0], _odds(sum(v.probability for v in near))
    names = {v.name for v in near}
    if names == {USUAL}:
        told = (
            f"Nothing wrong with the car found: this day, this road and this car as they are lead to such readings "
            f"({odds}). That makes them no safer."
            if passed
            else f"Nothing unusual found: what is left is what cars, days, gauges and this model usually differ by "
            f"({odds})."
        )
        return told + _unseen_words(first)
    if all(name.startswith(UNEXPLAINED) for name in names):
        listed = " and ".join(v.words.removesuffix(" for a reason not on the list") for v in near)
        return (
            f"Something that no cause tried here explains ({odds}): {listed}. A fault that is not on the list, a "
            "reading that is wrong, or a drive that was not as the log has it."
        )
    if USUAL in names or len(near) > _MOST_NAMED:
        listed = "; or ".join(_one(v, drive, units) for v in near[:_MOST_NAMED])
        more = f"; or {len(near) - _MOST_NAMED} more" if len(near) > _MOST_NAMED else ""
        return f"Cannot tell: {listed}{more}. A log with a higher load on the fluid would determine more."
    together = sum(v.probability for v in near)
    likely = "It is probably the car" if together >= _LIKELY else "It is more likely the car than not"
    car = "It is the car" if together >= _SURE else likely
    if len(near) == 1:
        return f"{car}: {first.words}{_size(first, units)}{_begun(first, drive)} ({odds} against all else tried)."
    if family := next((words for kin, words in FAMILIES.items() if names <= kin), ""):
        listed = "; or ".join(_one(v, drive, units) for v in near)
        return f"{car}: {family} ({odds} against all else tried). The log does not determine which: {listed}."
    return f"Cannot tell these apart: {'; or '.join(_one(v, drive, units) for v in near)}. Together they have {odds}."


def slip_words(
    verdicts: Sequence[Verdict], peaks: Sequence[Peak], drive: Drive | None = None, units: Units = METRIC
) -> str:
    """Verdict where engine speed proves that the converter never locks, and what the temperatures add.

    >>> one = [Verdict(name="usual", words="nothing", probability=0.9, value=0.0, rmse_k=1.0)]
    >>> slip_words(one, []).partition(".")[0]
    "It is the car: the converter's lock-up does not come, as engine speed shows"
    """
    told = "It is the car: the converter's lock-up does not come, as engine speed shows."
    box = next((peak for peak in peaks if peak.fluid == "transmission"), None)
    if box is not None and box.read_k - box.driven_k >= _TOLD_K:
        above = f"{units.diff(box.read_k - box.driven_k):.0f} {units.temperature}"
        told += f" The transmission's highest reading was {above} above the model's; such slip is a cause of that."
    near = named(verdicts)
    names, odds = {v.name for v in near}, _odds(sum(v.probability for v in near))
    if names == {USUAL}:
        usual = replace(near[0], unseen=tuple(name for name in near[0].unseen if name != "gearbox_heat"))
        within = "they are within what cars, days, gauges and this model usually differ by"
        return f"{told} Temperatures alone do not show it: {within} ({odds}).{_unseen_words(usual)}"
    if names <= GEARBOX:
        listed = "; or ".join(_one(v, drive, units) for v in near)
        return f"{told} The temperatures agree ({odds} against all else tried): {listed}."
    return f"{told} By the temperatures alone: {verdict_words(verdicts, drive, units)}"


def _unseen_words(usual: Verdict) -> str:
    """Name the faults that the log could not have detected, a family by one name where none of it would have shown."""
    missed = set(usual.unseen)
    kin = {name: words for names, words in FAMILIES.items() if names <= missed for name in names}
    listed = dict.fromkeys(kin.get(name, WORDS[name]) for name in usual.unseen)
    return f" It could not have detected: {'; '.join(listed)}." if listed else ""


def named(verdicts: Sequence[Verdict]) -> tuple[Verdict, ...]:
    """Causes to name: those not distinguishable from the first, and similarly likely ones of its family."""
    near = alike(verdicts)
    first = verdicts[0]
    for kin in FAMILIES:
        if first.name in kin:
            close = [v for v in verdicts if v.name in kin and v.probability * _CLEAR > first.probability]
            near = tuple(v for v in verdicts if v in near or v in close)
    return near


def _one(verdict: Verdict, drive: Drive | None, units: Units) -> str:
    """One of several causes, with its probability."""
    words = "nothing unusual" if verdict.name == USUAL else verdict.words
    return f"{words}{_size(verdict, units)}{_begun(verdict, drive)} ({verdict.probability:.0%})"


def _begun(verdict: Verdict, drive: Drive | None) -> str:
    """Onset of a cause, and the grade there."""
    if verdict.onset_s is None or verdict.name == USUAL:
        return ""
    where = ""
    if drive is not None:
        at = int(np.searchsorted(np.cumsum(drive.duration_s), verdict.onset_s))
        grade = float(drive.grade[min(at, len(drive.grade) - 1)])
        where = f" on a {'climb' if grade > 0 else 'descent'} of {abs(grade):.0%}" if abs(grade) > 0.02 else ""
    return f", from about minute {verdict.onset_s / 60.0:.0f}{where}"


def _odds(probability: float) -> str:
    """Format a probability as odds, capped."""
    ratio = probability / max(1.0 - probability, 1e-9)
    if ratio > _MOST_ODDS:
        return f"odds above {_MOST_ODDS:.0f} to 1"
    return (
        f"odds {ratio:.0f} to 1"
        if ratio >= 1.5
        else "odds about even"
        if ratio > 0.67
        else f"odds 1 to {1 / ratio:.0f}"
    )


def _size(verdict: Verdict, units: Units) -> str:
    """Format the size of a cause."""
    if verdict.name == USUAL or verdict.name.startswith(("stuck", "thermostat_open", "fan", UNEXPLAINED)):
        return ""
    if verdict.name.startswith(("offset", "thermostat")):
        return f", by about {units.diff(verdict.value):+z.0f} {units.temperature}"
    return f", about × {verdict.value:.2f}"


# --- the owner's question ---------------------------------------------------------------------------------------------


def heat_or_air_words(
    car: VehicleFile, one: Driven, peaks: Sequence[Peak], verdicts: Sequence[Verdict], units: Units
) -> tuple[str, ...]:
    """Highest coolant temperature with normal air temperature, and with normal air flow."""
    peak = next((p for p in peaks if p.fluid == "coolant"), None)
    if peak is None:
        return ()
    at = int(np.nanargmax(one.readings.temp_k[:, COOLANT]))
    usual = medians(car.spread)
    if peak.planned_k is not None and peak.weather_k is not None:
        day_k, air = peak.weather_k - peak.planned_k, "in the air that was forecast"
    else:
        cooler = replace(one.drive, air_k=one.drive.air_k - _COOLER_AIR_K, dew_k=one.drive.dew_k - _COOLER_AIR_K)
        with_k = modelled_k(car.vehicle, cooler, one.readings, usual)[0][at, COOLANT]
        day_k, air = peak.driven_k - float(with_k), f"in air {units.diff(_COOLER_AIR_K):.0f} {units.temperature} cooler"
    read, u = peak.read_k, units.temperature
    heat = (
        f"Heat of the day or lack of air flow? The coolant read {units.temp(read):.0f} {u} at its highest. "
        f"{air[0].upper()}{air[1:]} the same car on this drive would have read about {units.temp(read - day_k):.0f}: "
        f"the day's heat makes {units.diff(day_k):+z.0f}."
    )
    blamed = [v for v in named(verdicts) if v.name in COOLING and v.change_k]
    if blamed:
        flow_k = sum(v.probability * v.change_k[COOLANT] for v in blamed) / sum(v.probability for v in blamed)
        return (
            f"{heat} With its usual air and coolant flow it would have read about {units.temp(read - flow_k):.0f}: "
            f"their lack makes {units.diff(flow_k):+z.0f}.",
        )
    less = usual._replace(airflow=_LESS_AIR * usual.airflow)
    flow_k = float(modelled_k(car.vehicle, one.drive, one.readings, less)[0][at, COOLANT]) - peak.driven_k
    return (f"{heat} {_less_air_words(flow_k, verdicts, units)}",)


def _less_air_words(flow_k: float, verdicts: Sequence[Verdict], units: Units) -> str:
    """Say what a lack of air flow that made a difference of `flow_k` would have shown, where none is blamed."""
    made = f"A lack of air flow of three tenths would have made {units.diff(flow_k):+z.0f} there"
    if flow_k < _TOLD_K:
        return f"{made}: too little to detect, so it cannot be ruled out."
    if any("airflow" in v.unseen for v in verdicts):
        return f"{made}; the rest of the log does not rule it out."
    return f"{made}, and is not what the log looks like."
