"""Plot of a log and the model: one panel per fluid, measured, before and after, with the speed below."""

import html
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.model.display import Units

Floats = npt.NDArray[np.float64]
_LEFT, _WIDE, _HIGH, _GAP = 60, 760, 150, 26
_MOST = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One fluid: readings and curves of a model, in kelvins, by minutes."""

    title: str
    minute: Floats
    read_k: Floats
    curves: tuple[tuple[str, Floats], ...]


def log_svg(panels: Sequence[Panel], *, units: Units, title: str) -> str:
    """Draw stacked panels."""
    height = 40 + len(panels) * (_HIGH + _GAP) + 40
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_LEFT + _WIDE + 20} {height}" role="img" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{_LEFT + _WIDE + 20}" height="{height}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="18" font-weight="bold">{html.escape(title)}</text>',
    ]
    longest = max((float(panel.minute[-1]) for panel in panels), default=1.0)
    for i, panel in enumerate(panels):
        lines += _panel(panel, 40 + i * (_HIGH + _GAP), longest, units)
    lines += [
        f'<text x="{_LEFT + _WIDE * part / 4:.0f}" y="{height - 26}" text-anchor="middle">'
        f"{longest * part / 4:.0f}</text>"
        for part in range(5)
    ]
    lines.append(f'<text x="{_LEFT + _WIDE / 2:.0f}" y="{height - 8}" text-anchor="middle">minutes</text>')
    return "\n".join([*lines, "</svg>"]) + "\n"


_INK = ("#999999", "#c2410c")
_DASH = (' stroke-dasharray="5 3"', "")


def _panel(panel: Panel, top: int, longest: float, units: Units) -> list[str]:
    """One fluid's axes, curves and readings."""
    every = np.concatenate([panel.read_k, *(curve for _, curve in panel.curves)])
    low_k, high_k = float(np.nanmin(every)) - 2.0, float(np.nanmax(every)) + 2.0
    low, high = units.temp(low_k), units.temp(high_k)
    lines = [f'<rect x="{_LEFT}" y="{top}" width="{_WIDE}" height="{_HIGH}" fill="none" stroke="#ccc"/>']
    for value in _ticks(low, high):
        y = top + _HIGH * (1.0 - (value - low) / (high - low))
        lines.append(f'<path d="M{_LEFT} {y:.1f}h{_WIDE}" stroke="#eee"/>')
        lines.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
    series = (
        ("measured", panel.read_k, "#000000", ""),
        *((name, curve, _INK[i % 2], _DASH[i % 2]) for i, (name, curve) in enumerate(panel.curves)),
    )
    for i, (name, curve, ink, dash) in enumerate(series):
        path = _path(panel.minute, units.temp(curve), longest, (low, high), top)
        lines.append(f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="1.4"{dash}/>')
        x = _LEFT + _WIDE - 330 + 120 * i
        lines.append(f'<path d="M{x} {top + _HIGH - 12}h18" stroke="{ink}" stroke-width="2"{dash}/>')
        lines.append(f'<text x="{x + 22}" y="{top + _HIGH - 8}">{html.escape(name)}</text>')
    lines.append(f'<text x="{_LEFT + 6}" y="{top + 15}">{html.escape(panel.title)} [{units.temperature}]</text>')
    return lines


def _ticks(low: float, high: float) -> list[float]:
    """Round values between two."""
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 1000) if (high - low) / s <= 6)
    return [float(v) for v in np.arange(np.ceil(low / step) * step, high, step)]


def _path(minute: Floats, value: Floats, longest: float, span: tuple[float, float], top: int) -> str:
    """SVG path of the readings, thinned; broken at gaps."""
    rows = np.unique(np.linspace(0, len(minute) - 1, min(_MOST, len(minute))).astype(np.int64))
    out, pen = [], "M"
    for row in rows:
        if not np.isfinite(value[row]):
            pen = "M"
            continue
        x = _LEFT + _WIDE * float(minute[row]) / longest
        y = top + _HIGH * (1.0 - (float(value[row]) - span[0]) / (span[1] - span[0]))
        out.append(f"{pen}{x:.1f} {y:.1f}")
        pen = "L"
    return "".join(out)
