"""Gauges that leap in a log: found in its readings as logged, and told."""

from collections.abc import Sequence

from planner.files.channels import CHANNELS, FLUID_CHANNELS
from planner.logs.drives import Driven
from planner.model.display import Units
from thermal.cause_list import NAMES
from thermal.leaps import Leap, leaps_in


def leaps_of(one: Driven) -> tuple[Leap, ...]:
    """Leaps of every gauge of a log, by gauge, in the drive's time."""
    begin_s = float(one.log.channels["speed"].time_s[0])
    return tuple(
        leap
        for name in FLUID_CHANNELS
        if name in one.log.channels
        for leap in leaps_in(
            CHANNELS[name].node or 0, one.log.channels[name].time_s - begin_s, one.log.channels[name].value
        )
        if leap.time_s > 0.0
    )


def leap_words(leaps: Sequence[Leap], units: Units) -> tuple[str, ...]:
    """Report leaps, one sentence a gauge."""
    out = []
    for node in dict.fromkeys(leap.node for leap in leaps):
        own = [leap for leap in leaps if leap.node == node]
        each = ", ".join(
            f"{units.diff(leap.change_k):+.0f} {units.temperature} at minute {leap.time_s / 60.0:.0f}"
            for leap in own[:3]
        )
        more = f" and {len(own) - 3} times more" if len(own) > 3 else ""
        out.append(
            f"The {NAMES[node]} reading leaps from one reading to the next: {each}{more}. No fluid can: look at the "
            "sender, its wire, its plug and its ground."
        )
    return tuple(out)
