"""Files other programs take, and writing them whole or not at all."""

import html
import json
import math
import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from planner.display import printable, units_of
from planner.errors import OutputError
from planner.forecast import Forecast
from planner.margins import FLUID_NAMES, Margin, fluids_of
from planner.remedies import DayRemedies
from planner.report import Report, days_table, legs_table, reason, sentence
from planner.whatif import Outcome

SCHEMA = "grademargin-plan/1"
_FORMULA = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the last four are the wide forms
_UNPRINTABLE = re.compile("[\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")


def forecast_csv(report: Report) -> str:
    """Write the table of legs as CSV.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    str
        Text with units in the headings. A text that a spreadsheet would take for a formula begins with an apostrophe.
    """
    table = legs_table(report)
    for name in table.select_dtypes(exclude="number"):
        table[name] = [as_text(value) if isinstance(value, str) else value for value in table[name]]
    return str(table.to_csv(index=False, lineterminator="\n"))


def as_text(cell: str) -> str:
    """Keep a spreadsheet from reading a text as a formula.

    Parameters
    ----------
    cell : str
        Any text. [-]

    Returns
    -------
    str
        With an apostrophe before it where it begins with a sign that begins a formula.

    Examples
    --------
    >>> as_text("=1+1"), as_text("Raton")
    ("'=1+1", 'Raton')
    """
    begins = cell[:1] in _FORMULA or cell.lstrip()[:1] in _FORMULA
    return f"'{printable(cell)}" if cell and begins else printable(cell)


def plan_dict(report: Report) -> dict[str, object]:
    """Everything in the plan as plain data, SI units in the names.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    dict
        See docs/formats.md.
    """
    outlook = report.outlook
    return {
        "schema": SCHEMA,
        "trip": outlook.trip.name,
        "vehicle": outlook.car.vehicle.name,
        "confidence": outlook.trip.confidence,
        "thin_band_k": outlook.trip.thin_band_k,
        "draws": len(outlook.spread.margin_k),
        "margin_error_k": round(outlook.error_k, 3),
        "days": json.loads(days_table(report).to_json(orient="records")),
        "legs": [_leg_dict(report, leg) for leg in range(len(outlook.legs))],
        "clocks": list(report.clocks),
        "choices": list(report.choices),
        "fuel": {
            "total_l": round(report.fuel.total_l, 2),
            "gaps": list(report.fuel.gaps),
            "stops": [
                {"place": s.place, "litres": round(s.litres, 2), "left_l": round(s.left_l, 2), "tight": s.tight}
                for s in report.fuel.stops
            ],
        },
        "remedies": [_remedies_dict(day) for day in report.remedies],
        "notable": [sentence(report, m) for m in report.notable()],
        "assumed": {
            "trip": list(outlook.trip.assumptions),
            "vehicle": {e.key: f"{e.text}; {e.source}" for e in outlook.car.entries if e.assumed},
        },
    }


def _leg_dict(report: Report, leg: int) -> dict[str, object]:
    """One leg of the plan."""
    outlook, worst = report.outlook, report.worst(leg)
    this = outlook.legs[leg]
    return {
        "from": this.start,
        "to": this.finish,
        "road": this.road,
        "distance_m": this.distance_m,
        "day": next(n for n, d in enumerate(outlook.timeline.days) if d.first <= leg <= d.last) + 1,
        "level": worst.level,
        "why": reason(report, worst) if worst.level != "ample" else None,
        "fluids": [_margin_dict(m) for m in report.margins if m.leg == leg],
    }


def _margin_dict(margin: Margin) -> dict[str, object]:
    """One fluid's margin on a leg."""
    return {
        "fluid": FLUID_NAMES[margin.fluid],
        "margin_k": round(margin.margin_k, 3),
        "margin_as_described_k": round(margin.nominal_margin_k, 3),
        "probability_exceeded": round(margin.probability, 4),
        "level": margin.level,
        "peak_k": round(margin.peak_k, 3),
        "limit_k": round(margin.limit_k, 3),
        "distance_m": round(margin.distance_m, 1),
        "near": margin.near,
        "when": margin.when.isoformat(timespec="seconds"),
        "parked": margin.parked,
    }


def _remedies_dict(day: DayRemedies) -> dict[str, object]:
    """Choices of one day."""
    return {
        "day": day.day + 1,
        "leg": day.leg + 1,
        "fluid": FLUID_NAMES[day.fluid],
        "margin_k": round(day.margin_k, 3),
        "probability_exceeded": round(day.probability, 4),
        "choices": [
            {
                "what": r.words,
                "kind": r.kind,
                "suffices": r.works,
                "minutes_lost": round(r.minutes, 1),
                "margin_gained_k": round(r.gain_k, 3),
                "margin_k": round(r.margin_k, 3),
                "probability_exceeded": round(r.probability, 4),
                "note": r.note,
            }
            for r in day.choices
        ],
    }


def whatif_dict(outlook: Forecast, outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Say what changes buy, as plain data.

    Parameters
    ----------
    outlook : Forecast
        The forecast as planned. [-]
    outcomes : sequence of Outcome
        Ranked. [-]

    Returns
    -------
    dict
        See docs/formats.md.
    """
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
    """Draw what changes buy for the fluid with the least margin as bars, longest first.

    Parameters
    ----------
    outlook : Forecast
        The forecast as planned. [-]
    outcomes : sequence of Outcome
        Ranked. [-]

    Returns
    -------
    str
        An SVG picture.
    """
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
        f"the plan keeps {u.diff(float(base[tight])):.0f}</text>",
    ]
    for i, (outcome, gain) in enumerate(zip(outcomes, gains, strict=True)):
        y = 40 + row * i
        start, width = (middle, gain * scale) if gain >= 0.0 else (middle + gain * scale, -gain * scale)
        lines.append(
            f'<text x="{left - 10}" y="{y + 15}" text-anchor="end">{html.escape(printable(outcome.words))}</text>'
        )
        fill = "#1f6f8b" if gain >= 0.0 else "#b3541e"
        lines.append(f'<rect x="{start:.1f}" y="{y + 3}" width="{width:.1f}" height="{row - 8}" fill="{fill}"/>')
        lines.append(f'<text x="{max(start + width, middle) + 6:.1f}" y="{y + 15}">{gain:+.0f}</text>')
    return "\n".join([*lines, "</svg>"]) + "\n"


def to_json(value: object) -> str:
    r"""Write plain data as JSON that is the same every time and holds no NaN.

    Parameters
    ----------
    value : object
        Dicts, lists, text, numbers. [-]

    Returns
    -------
    str
        Indented text with a line end; what a terminal would obey is written as its code.

    Examples
    --------
    >>> to_json({"b": 1, "a": float("nan")})
    '{\n  "a": null,\n  "b": 1\n}\n'
    """
    made = json.dumps(_plain(value), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return _UNPRINTABLE.sub(lambda found: f"\\u{ord(found[0]):04x}", made) + "\n"


def _plain(value: object) -> object:
    """Numbers of numpy become numbers; what is not finite becomes null."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value


def write_files(folder: Path, files: dict[str, str]) -> None:
    """Write generated files, each whole or not at all.

    Parameters
    ----------
    folder : Path
        Made if missing. [-]
    files : dict
        Name to text. [-]

    Raises
    ------
    OutputError
        If the folder or a file cannot be written; files written before stay whole.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            handle, temporary = tempfile.mkstemp(dir=folder, prefix=".", suffix=".part")
            try:
                with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                    file.write(text)
                os.chmod(temporary, 0o644)
                os.replace(temporary, folder / name)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
    except OSError as exc:
        message = f"{folder}: cannot be written ({exc.strerror or exc}); free the disk, allow writing, or use --out DIR"
        raise OutputError(message) from exc
