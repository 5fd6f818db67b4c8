"""The plan in a terminal: tables a person reads in ten seconds, 80 columns wide."""

from rich.table import Table
from rich.text import Text

from planner.cautions import CAUTIONS
from planner.margins import FLUID_NAMES, fluids_of
from planner.report import Report, days_table, legs_table, reason, sentence

# Column headings short enough for 80 columns.
_SHORT = {"coolant": "coolant", "engine oil": "oil", "transmission": "gearbox", "differential": "diff."}
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
    parts: list[object] = [_days(report), Text()]
    share = round(100 * report.outlook.trip.confidence)
    notable = report.notable()
    if not notable:
        parts.append(Text(f"Every fluid keeps an ample margin on every leg at {share} % confidence.", style="bold"))
    for margin in notable:
        leg = legs[margin.leg]
        head = Text(f"{margin.level}: ", style=_STYLE[margin.level])
        head.append(f"{places[leg.start].name} to {places[leg.finish].name}", style="bold")
        parts += [head, Text(sentence(report, margin)), Text(reason(report, margin), style="dim"), Text()]
    parts.append(Text("Before you drive", style="bold"))
    parts += [Text(f"- {caution}") for caution in CAUTIONS]
    return tuple(parts)


def _table(title: str, columns: tuple[tuple[str, str], ...]) -> Table:
    """Start a table; each column is a heading and its side."""
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for heading, side in columns:
        table.add_column(heading, justify="right" if side == "right" else "left", overflow="ellipsis", no_wrap=True)
    return table


def _days(report: Report) -> Table:
    """One row a day."""
    frame, u = days_table(report), report.units
    columns = (
        ("day", "right"),
        ("date", "left"),
        ("to", "left"),
        ("hours", "left"),
        (u.distance, "right"),
        (f"climb {u.elevation}", "right"),
        (f"air {u.temperature}", "right"),
        ("margin", "left"),
    )
    table = _table(report.outlook.trip.name, columns)
    for _, row in frame.iterrows():
        table.add_row(
            str(row["day"]),
            str(row["date"]),
            str(row["to"]),
            f"{row['depart']}-{row['arrive']}",
            f"{row[f'distance [{u.distance}]']:.0f}",
            f"{row[f'climb [{u.elevation}]']:,.0f}",
            f"{row[f'air [{u.temperature}]']:.0f}",
            f"{row[f'margin [{u.temperature}]']:.0f} {u.temperature} {row['fluid']}",
            style=_STYLE[str(row["level"])],
        )
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
    names = [FLUID_NAMES[f] for f in fluids_of(report.outlook)]
    left = (("day", "right"), ("to", "left"), ("at", "right"), ("air", "right"))
    columns = (*left, *((_SHORT[name], "right") for name in names), ("level", "left"))
    table = _table(f"{report.outlook.trip.name}: peak {u.temperature} (margin at {share} % confidence)", columns)
    for _, row in frame.iterrows():
        fluids = [f"{row[f'{n} peak [{u.temperature}]']} ({row[f'{n} margin [{u.temperature}]']:.0f})" for n in names]
        table.add_row(
            str(row["day"]),
            str(row["to"]),
            str(row["arrive"])[-5:],
            str(row[f"air [{u.temperature}]"]),
            *fluids,
            str(row["level"]),
            style=_STYLE[str(row["level"])],
        )
    return table
