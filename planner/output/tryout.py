"""Text of the most informative drive near home."""

from collections.abc import Sequence
from typing import Any

from planner.analysis.margins import fluids_of
from planner.analysis.tryout import Worth
from planner.files.readings import AIR, GAUGES
from planner.forecast.run import Forecast, leg_name
from planner.model.display import units_of
from planner.output.picked import picked
from thermal.fluids import fluid_of

# Common practice, no source; the stretches of planner/analysis/tryout.py in plain words.
RECIPE = (
    "An hour near home, air conditioning and load as on the trip. Record the track on a phone, with times and heights.",
    "  Ten minutes to warm up. 25 minutes' steady cruise: a passenger notes every gauge and the time.",
    "  Ten minutes up a hill of about 5 %: note again at the top.",
    "  Eight minutes standing there with the engine on, where that is allowed: note again.",
)
NOTES = "NOTES.csv, a line for each note, every gauge you have:"
AFTER = "Then: grademargin fit {folder} --drive DRIVE.gpx --readings NOTES.csv"
_EXAMPLE = "2027-06-20 09:35"
_HARDLY = 0.9  # of the present width: a drive that leaves more is hardly worth it


def worth_lines(outlook: Forecast, found: Sequence[Worth], folder: object) -> list[str]:
    """Gain of each reading."""
    u = units_of(outlook.trip.units)
    gauges = [name for name, fluid in GAUGES.items() if fluid == AIR or fluid in fluids_of(outlook)]
    unit = "degF" if u.kelvin_per_degree < 1.0 else "degC"
    head = ",".join(("when", *(f"{name} [{unit}]" for name in gauges)))
    said = [*RECIPE, NOTES, f"  {head}", f"  {_EXAMPLE}{',' * len(gauges)}"]
    for one in found:
        gauge, where = one.best
        with_it = f"Reading {fluid_of(gauge).label} {where} reduces it to ± {u.diff(one.one_k):.0f}"
        worth = f"{with_it}; every gauge at every stop, to ± {u.diff(one.all_k):.0f}."
        if one.all_k > _HARDLY * one.now_k:
            worth = "This drive reduces it only slightly, unless its readings are very consistent."
        said.append(
            f"{fluid_of(one.fluid).label.capitalize()}, smallest margin {u.diff(one.margin_k):.0f} {u.temperature}, "
            f"{leg_name(outlook, one.leg)}: uncertain by ± {u.diff(one.now_k):.0f} {u.temperature}. {worth}"
        )
    return [*said, AFTER.format(folder=folder)]


def worth_list(found: Sequence[Worth]) -> list[dict[str, Any]]:
    """Return the same as plain data."""
    return [
        {"fluid": one.fluid, "leg": one.leg + 1, "gauge": one.best[0], "where": one.best[1]}
        | picked(one, "margin_k within_k=now_k within_with_it_k=one_k within_with_all_k=all_k", 3)
        for one in found
    ]
