"""The plan in a terminal: tables a person reads in ten seconds."""

from rich.table import Table
from rich.text import Text

from planner.cautions import CAUTIONS
from planner.margins import FLUID_NAMES, fluids_of
from planner.report import Report, days_table, legs_table, reason, sentence

_STYLE = {"ample": "", "thin": "bold yellow", "exceeded": "bold red reverse"}


def plan(report: Report) -> tuple[object, ...]:
    """Days, thin places with their reason, cautions.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    tuple
        Things rich can print.
    """
    places, legs = report.outlook.trip.places, report.outlook.legs
    parts: list[object] = [_days(report)]
    share = round(100 * report.outlook.trip.confidence)
    notable = report.notable()
    if not notable:
        parts.append(Text(f"Every fluid keeps an ample margin on every leg at {share} % confidence.", style="bold"))
    for margin in notable:
        leg = legs[margin.leg]
        head = Text(f"{margin.level}: ", style=_STYLE[margin.level])
        head.append(f"{places[leg.start].name} to {places[leg.finish].name}", style="bold")
        parts += [head, Text("  " + sentence(report, margin)), Text("  " + reason(report, margin), style="dim")]
    parts.append(Text("\nBefore you drive", style="bold"))
    parts += [Text(f"- {caution}") for caution in CAUTIONS]
    return tuple(parts)


def _days(report: Report) -> Table:
    """One row a day."""
    frame = days_table(report)
    table = Table(title=report.outlook.trip.name, box=None, pad_edge=False, header_style="bold")
    for heading in frame.columns:
        number = frame[heading].dtype.kind in "if"
        table.add_column(heading, justify="right" if number else "left", overflow="fold")
    for row in frame.itertuples(index=False):
        level = str(row[-1])
        table.add_row(*(f"{v:g}" if isinstance(v, float) else str(v) for v in row), style=_STYLE[level])
    return table


def legs(report: Report) -> Table:
    """One row a leg: times and the hottest reading of every fluid, margin behind it.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    rich.table.Table
        The table.
    """
    frame, u = legs_table(report), report.units
    share = round(100 * report.outlook.trip.confidence)
    table = Table(
        title=f"{report.outlook.trip.name}: peak {u.temperature} (margin at {share} %)", box=None, pad_edge=False
    )
    names = [FLUID_NAMES[f] for f in fluids_of(report.outlook)]
    for heading in ("day", "from", "to", "arrive", u.distance, "air", *names, "level"):
        table.add_column(heading, overflow="fold", justify="left" if heading in ("from", "to", "level") else "right")
    for _, row in frame.iterrows():
        fluids = [f"{row[f'{n} peak [{u.temperature}]']} ({row[f'{n} margin [{u.temperature}]']:.0f})" for n in names]
        table.add_row(
            str(row["day"]),
            row["from"],
            row["to"],
            row["arrive"][-5:],
            f"{row[f'distance [{u.distance}]']:.0f}",
            str(row[f"air [{u.temperature}]"]),
            *fluids,
            row["level"],
            style=_STYLE[row["level"]],
        )
    return table
