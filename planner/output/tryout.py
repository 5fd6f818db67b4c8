"""Text of the most informative drive near home."""

from collections.abc import Sequence
from typing import Any

from planner.analysis.tryout import Worth
from planner.forecast.run import Forecast, leg_name
from planner.model.display import units_of
from thermal.fluids import fluid_of

# Common practice, no source; the stretches of planner/analysis/tryout.py in plain words.
RECIPE = (
    "An hour near home, air conditioning and load as on the trip: ten minutes to warm up, 25 minutes' steady cruise, "
    "ten minutes up a hill of about 5 %, eight minutes at idle at the top where that is allowed. "
    "Record the track on a phone; let a passenger note every gauge and the time after each of the three."
)
AFTER = "Then: grademargin fit {folder} --drive DRIVE.gpx --readings NOTES.csv"


def worth_lines(outlook: Forecast, found: Sequence[Worth], folder: object) -> list[str]:
    """Gain of each reading."""
    u = units_of(outlook.trip.units)
    said = [RECIPE]
    for one in found:
        gauge, where = one.best
        said.append(
            f"{fluid_of(one.fluid).label.capitalize()}, smallest margin {u.diff(one.margin_k):.0f} {u.temperature}, "
            f"{leg_name(outlook, one.leg)}: known within ± {u.diff(one.now_k):.0f} {u.temperature}; with "
            f"{fluid_of(gauge).label} read {where} ± {u.diff(one.one_k):.0f}; with every gauge at every stop "
            f"± {u.diff(one.all_k):.0f}."
        )
    return [*said, AFTER.format(folder=folder)]


def worth_list(found: Sequence[Worth]) -> list[dict[str, Any]]:
    """Return the same as plain data."""
    return [
        {
            "fluid": one.fluid,
            "leg": one.leg + 1,
            "margin_k": round(one.margin_k, 3),
            "within_k": round(one.now_k, 3),
            "gauge": one.best[0],
            "where": one.best[1],
            "within_with_it_k": round(one.one_k, 3),
            "within_with_all_k": round(one.all_k, 3),
        }
        for one in found
    ]
