"""What changes and parts buy, as plain data and as a picture."""

import html
from collections.abc import Sequence

import numpy as np

from planner.analysis.margins import FLUID_NAMES, fluids_of
from planner.analysis.whatif import Outcome
from planner.forecast.run import Forecast
from planner.model.display import units_of
from planner.model.plaintext import printable


def whatif_dict(outlook: Forecast, outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Say what changes buy, as plain data."""
    names = [FLUID_NAMES[fluid] for fluid in fluids_of(outlook)]
    return {
        "schema": "grademargin-whatif/1",
        "trip": outlook.trip.name,
        "changes": [
            {
                "what": o.words,
                "kind": o.kind,
                "margin_gained_k": dict(zip(names, np.round(o.gain_k, 3).tolist(), strict=True)),
                "margin_k": dict(zip(names, np.round(o.margin_k, 3).tolist(), strict=True)),
                "minutes_more": round(o.minutes, 1),
                "buys_nothing": o.buys_nothing,
            }
            for o in outcomes
        ],
    }


def tornado_svg(outlook: Forecast, outcomes: Sequence[Outcome]) -> str:
    """Draw what changes buy for the fluid with the least margin as bars, longest first."""
    u, fluids = units_of(outlook.trip.units), fluids_of(outlook)
    base = outcomes[0].margin_k - outcomes[0].gain_k
    tight = int(np.argmin(base))
    gains = [u.diff(float(o.gain_k[tight])) for o in outcomes]
    span = max(1.0, max(abs(gain) for gain in gains))
    row, left, wide = 26, 360, 360
    middle = left + wide * max(0.0, -min(gains)) / (span + max(0.0, -min(gains)))
    scale = (left + wide - middle) / span
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {left + wide + 90} {row * len(gains) + 60}" role="img" '
        'font-family="sans-serif" font-size="13">',
        f'<text x="8" y="22" font-weight="bold">Margin gained for the {FLUID_NAMES[fluids[tight]]}, {u.temperature}; '
        f"the plan keeps {u.diff(float(base[tight])):z.0f}</text>",
    ]
    for i, (outcome, gain) in enumerate(zip(outcomes, gains, strict=True)):
        y = 40 + row * i
        start, width = (middle, gain * scale) if gain >= 0.0 else (middle + gain * scale, -gain * scale)
        lines.append(
            f'<text x="{left - 10}" y="{y + 15}" text-anchor="end">{html.escape(printable(outcome.words))}</text>'
        )
        fill = "#1f6f8b" if gain >= 0.0 else "#b3541e"
        lines.append(f'<rect x="{start:.1f}" y="{y + 3}" width="{width:.1f}" height="{row - 8}" fill="{fill}"/>')
        lines.append(f'<text x="{max(start + width, middle) + 6:.1f}" y="{y + 15}">{gain:+z.0f}</text>')
    return "\n".join([*lines, "</svg>"]) + "\n"
