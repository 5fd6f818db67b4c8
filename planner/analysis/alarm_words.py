"""The marks of gauges as rows of a table, lines on each caution and plain data, the same for a trip and a session."""

from collections.abc import Sequence
from typing import Any

from planner.analysis.alarm_marks import NUISANCE_PER_H, FluidAlarm
from planner.model.display import Units
from thermal.fluids import fluid_of

HEADINGS = ("gauge", "not warm below", "low", "expected", "caution", "limit")


def fluid_rows(fluids: Sequence[FluidAlarm], u: Units) -> list[tuple[str, ...]]:
    """Rows of a card: fluid, not warm below, low once warm, expected, caution, limit."""
    return [
        (
            fluid_of(f.fluid).label,
            f"{u.temp(f.warm_k):.0f}",
            f"{u.temp(f.marks.low_k):.0f}",
            f"{u.temp(f.marks.band_k[0]):.0f}–{u.temp(f.marks.band_k[1]):.0f}",
            f"{u.temp(f.marks.caution_k):.0f}",
            f"{u.temp(f.limit_k):.0f} {u.temperature}",
        )
        for f in fluids
    ]


def caution_lines(fluids: Sequence[FluidAlarm], u: Units) -> list[str]:
    """For every caution: lead time before the limit, and false alarm rate."""
    out = []
    for f in fluids:
        m = f.marks
        lead = f"about {m.lead_s / 60.0:.0f} min" if m.lead_s >= 60.0 else "less than a minute"
        often = (
            "at most one false alarm in 20 h"
            if m.nuisance_per_h <= NUISANCE_PER_H
            else f"one false alarm in {1.0 / m.nuisance_per_h:.1f} h"
        )
        out.append(
            f"{fluid_of(f.fluid).label}: caution {u.temp(m.caution_k):.0f} {u.temperature}, {lead} before the limit "
            f"in a fast rise; {often}."
        )
    return out


def fluid_data(f: FluidAlarm) -> dict[str, Any]:
    """One gauge's marks as plain data."""
    return {
        "fluid": fluid_of(f.fluid).label,
        "expected_k": list(f.marks.band_k),
        "not_warm_below_k": f.warm_k,
        "limit_k": f.limit_k,
        "low_k": f.marks.low_k,
        "caution_k": f.marks.caution_k,
        "caution_lead_s": f.marks.lead_s,
        "false_alarms_per_h": f.marks.nuisance_per_h,
    }
