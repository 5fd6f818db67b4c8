"""Gains of changes and parts, as plain data and as a chart."""

import html
import textwrap
from collections.abc import Sequence

import numpy as np

from planner.analysis.margins import fluids_of
from planner.analysis.whatif import Outcome
from planner.forecast.run import Forecast
from planner.model.display import units_of
from planner.model.plaintext import printable
from thermal.fluids import fluid_of

_LETTERS, _LETTER, _LINE, _WIDE = 60, 7.4, 15.0, 360.0  # characters per line, their width, line height, bar width


def whatif_dict(outlook: Forecast, outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Gains of changes as plain data."""
    names = [fluid_of(fluid).label for fluid in fluids_of(outlook)]
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
    """Bar chart of gains for the fluid with the smallest margin, longest first."""
    u, fluids = units_of(outlook.trip.units), fluids_of(outlook)
    base = outcomes[0].margin_k - outcomes[0].gain_k
    tight = int(np.argmin(base))
    gains = [u.diff(float(o.gain_k[tight])) for o in outcomes]
    span = max(1.0, max(abs(gain) for gain in gains))
    names = [textwrap.wrap(printable(o.words), _LETTERS) or [""] for o in outcomes]
    left = 20.0 + _LETTER * max(len(line) for lines in names for line in lines)
    middle = left + _WIDE * max(0.0, -min(gains)) / (span + max(0.0, -min(gains)))
    scale = (left + _WIDE - middle) / span
    title = (
        f"Margin gained for the {fluid_of(fluids[tight]).label}, {u.temperature}; margin of the plan: "
        f"{u.diff(float(base[tight])):z.0f}"
    )
    bars, y = [], 40.0
    for lines, gain in zip(names, gains, strict=True):
        start, width = (middle, gain * scale) if gain >= 0.0 else (middle + gain * scale, -gain * scale)
        bars += [_text(left - 10.0, y + 15.0 + _LINE * n, line, ' text-anchor="end"') for n, line in enumerate(lines)]
        fill = "#1f6f8b" if gain >= 0.0 else "#b3541e"
        bars.append(f'<rect x="{start:.1f}" y="{y + 3:.0f}" width="{width:.1f}" height="18" fill="{fill}"/>')
        bars.append(_text(max(start + width, middle) + 6.0, y + 15.0, f"{gain:+z.0f}"))
        y += 11.0 + _LINE * len(lines)
    wide, high = max(left + _WIDE + 90.0, 20.0 + _LETTER * len(title)), y + 20.0
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" role="img" '
            'font-family="sans-serif" font-size="13" fill="#12161a" style="background:#ffffff">',
            f"<title>{html.escape(title)}</title>",
            _text(8.0, 22.0, title, ' font-weight="bold"'),
            *bars,
            "</svg>\n",
        ]
    )


def _text(x: float, y: float, words: str, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.0f}"{more}>{html.escape(words)}</text>'
