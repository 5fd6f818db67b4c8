"""The plan in a terminal of 80 columns."""

from collections.abc import Sequence
from typing import Literal

from rich.cells import cell_len
from rich.table import Table
from rich.text import Text

from planner.analysis.fuel import gap_words
from planner.analysis.margins import Margin, fluids_of
from planner.analysis.other_roads import sentence as road_sentence
from planner.analysis.remedies import DayRemedies, Remedy
from planner.analysis.sensitivity import Effect
from planner.analysis.weighed import doubt_lines
from planner.analysis.whatif import Outcome
from planner.forecast.run import Forecast, leg_name
from planner.model.display import counted, economy, units_of
from planner.model.levels import LEVELS, UNKNOWN
from planner.output.cautions import CAUTIONS
from planner.output.marks import hot_spots, hot_words, nothing_helps
from planner.output.outcome import headline, unknown_sentence, unknown_words
from planner.output.report import (
    Report,
    clock_words,
    day_rows,
    leg_rows,
    reason,
    remedy_words,
    spread_sentence,
    whole_sentence,
)
from planner.output.times import told, zone_of
from thermal.fluids import FLUIDS, fluid_of

_WIDTH, _SHORTEST = 80, 7  # columns of a terminal, and of the name of a place
_MOST_EFFECTS = 12
_MOST_REMEDIES = 5
_SHORT = {fluid.label: fluid.short for fluid in FLUIDS}
_STYLE = {level.word: level.style for level in LEVELS}
_MOST_TIGHT, _MOST_UNKNOWN, _MOST_NAMED, _MOST_DOUBTS = 5, 2, 4, 3


def plan(report: Report, *, full: bool = False) -> tuple[object, ...]:
    """Days, outcome, advice, fuel, cautions; with `full` also the reason of every thin margin, service, other roads."""
    parts: list[object] = [_days(report), Text(headline(report), style="bold")]
    parts += _doubts(report, len(report.weighty) if full else _MOST_DOUBTS)
    parts += _whole(report) if full else _brief(report)
    head = Text("Before you drive", style="bold")
    if full:
        return (*parts, head, *(Text(f"- {caution}") for caution in CAUTIONS))
    return (*parts, head.append(f": {' '.join(CAUTIONS)}", style="not bold"))


def _doubts(report: Report, most: int) -> list[object]:
    found = [Text(f"check: {said}", style="bold") for said in doubt_lines(report.weighty)]
    more = len(found) - most
    return [*found[:most], *([Text(f"{more} more: grademargin check")] if more > 0 else [])]


def _brief(report: Report) -> list[object]:
    spots = sorted(hot_spots(report), key=lambda m: m.margin_k)
    parts: list[object] = [Text(said) for said in report.learnt]
    for margin in spots[:_MOST_TIGHT]:
        parts.append(Text(hot_words(report, margin), style=_STYLE[margin.level]))
    if len(spots) > _MOST_TIGHT:
        parts.append(Text(f"{len(spots) - _MOST_TIGHT} more, with larger margins."))
    for day in report.remedies:
        best = [_brief_remedy(report, one) for one in day.working[:1]]
        parts.append(Text(f"  Day {day.day + 1}: {best[0] if best else nothing_helps(report, day)}"))
    parts += _unknowns(report, _MOST_UNKNOWN)
    parts += [Text(gap_words(report.outlook, gap), style="bold") for gap in report.fuel.gaps]
    parts.append(Text(_fuel(report)))
    if report.brakes:
        parts.append(Text(report.brakes[0] + (f" {len(report.brakes) - 1} more." if len(report.brakes) > 1 else "")))
    parts.append(Text("Reasons, all remedies, weather, service, other roads: --full, or trip.html.", style="dim"))
    return parts


def _brief_remedy(report: Report, remedy: Remedy) -> str:
    what, minutes, margin, _ = remedy_words(report, remedy)
    return f"{what}: {minutes} min lost, day's margin {margin}."


def _unknowns(report: Report, most: int) -> list[object]:
    """Legs with unknown margins, smallest lower bound first."""
    found = sorted(report.unknown(), key=lambda m: m.least_k)
    parts: list[object] = [
        Text(f"{leg_name(report.outlook, m.leg)}: {unknown_words(report, m.leg)}.", style=_STYLE[m.level])
        for m in found[:most]
    ]
    if len(found) > most:
        parts.append(Text(f"{counted(len(found) - most, 'more leg')} not known; --full lists them."))
    return parts


def _fuel(report: Report) -> str:
    u, outlook = report.units, report.outlook
    places = outlook.trip.places
    stops = [
        f"{places[s.place].name} {s.litres / u.litres:.0f}{' (next is far)' if s.tight else ''}"
        for s in report.fuel.stops
    ]
    total_m = sum(leg.distance_m for leg in outlook.legs if not leg.carried)
    where = f". Take ({u.fuel}): {', '.join(stops)}" if stops else ", no stop needed"
    return f"Fuel: {report.fuel.total_l / u.litres:.0f} {u.fuel}, {economy(u, total_m, report.fuel.total_l)}{where}."


def _whole(report: Report) -> list[object]:
    parts: list[object] = [Text(_error(report) + "\n")]
    for margin in report.notable():
        head = Text(f"{margin.level}: ", style=_STYLE[margin.level])
        head.append(leg_name(report.outlook, margin.leg), style="bold")
        parts += [head, Text(whole_sentence(report, margin)), Text(reason(report, margin), style="dim")]
        parts += [Text(spread_sentence(report, margin), style="dim"), Text()]
    for day in report.remedies:
        parts += [*_remedies(report, day), Text()]
    for margin in report.unknown():
        head = Text(f"{margin.level}: ", style=_STYLE[margin.level])
        head.append(leg_name(report.outlook, margin.leg), style="bold")
        parts += [head, Text(unknown_sentence(report, margin))]
    gaps = [gap_words(report.outlook, gap) for gap in report.fuel.gaps]
    clocks = [clock_words(report, change) for change in report.clocks]
    said = (*report.learnt, _fuel(report), *gaps, *report.brakes, *clocks, *report.weather)
    parts += [Text(one) for one in said]
    if report.service.due:
        base = (
            (" (common-practice intervals, all service assumed done before the start)")
            if report.service.assumed
            else ""
        )
        parts.append(Text(f"Service due on the way{base}", style="bold"))
        parts += [Text(f"- {_mile(report, job.at_m)}: {job.words}") for job in report.service.due]
    if report.choices:
        roads = (Text(road_sentence(report.outlook, one)) for one in report.choices)
        parts += [Text("Other roads", style="bold"), *roads]
    return parts


def _mile(report: Report, distance_m: float) -> str:
    return f"{report.units.distance} {report.units.dist(distance_m):,.0f}"


def _error(report: Report) -> str:
    u, outlook = report.units, report.outlook
    if outlook.error_k == 0.0:
        return f"No small margins in {len(outlook.spread.margin_k)} draws."
    known = f"{u.diff(outlook.error_k):.1f} {u.temperature}"
    return f"Sampling error of small margins: up to ±{known} ({len(outlook.spread.margin_k)} draws)."


def _remedies(report: Report, day: DayRemedies) -> list[Text]:
    """Remedies of one day, cheapest first, and ineffective ones."""
    share = f"{100 * report.outlook.trip.risk:.0f} %"
    head = f"What helps on day {day.day + 1}, {fluid_of(day.fluid).label} (chance of passing a limit under {share}):"
    lines = [Text(head, style="bold")]
    for remedy in day.working[:_MOST_REMEDIES]:
        what, minutes, margin, chance = remedy_words(report, remedy)
        lines.append(Text(f"  {what}: {minutes} min lost, day's margin {margin}, passing a limit: {chance}"))
    if not day.working:
        lines.append(Text(f"  {nothing_helps(report, day)}"))
    if day.working and day.undecided:
        named = "; ".join(remedy.words for remedy in day.undecided[:_MOST_NAMED])
        lines.append(Text(f"  about as likely as not to suffice: {named}"))
    useless = [remedy.words for remedy in day.choices if remedy.futile]
    if useless:
        more = f"; {len(useless) - _MOST_NAMED} more" if len(useless) > _MOST_NAMED else ""
        lines.append(Text(f"  almost no effect: {'; '.join(useless[:_MOST_NAMED])}{more}", style="dim"))
    return lines


def _table(title: str, headings: tuple[str, ...], rows: list[tuple[list[str], str]]) -> Table:
    """Table of text rows with levels; only the name column shrinks in a narrow terminal."""
    widths: list[int] = []
    for position, heading in enumerate(headings):
        widths.append(max(cell_len(text) for text in (heading, *(row[position] for row, _ in rows))))
    rest = sum(widths) - widths[headings.index("to")]
    gap = 2 if rest + _SHORTEST + 2 * (len(headings) - 1) <= _WIDTH else 1
    rest += gap * (len(headings) - 1)
    table = Table(
        title=title, title_justify="left", box=None, padding=(0, gap, 0, 0), pad_edge=False, header_style="bold"
    )
    for heading, width in zip(headings, widths, strict=True):
        names = heading == "to"
        side: Literal["left", "right"] = "left" if names or heading in ("date", "margin", "level") else "right"
        size = min(width, max(_SHORTEST, _WIDTH - rest)) if names else width
        table.add_column(heading, justify=side, overflow="ellipsis", no_wrap=True, width=size)
    for row, level in rows:
        table.add_row(*row, style=_STYLE[level])
    return table


def _days(report: Report) -> Table:
    u = report.units
    rows = [
        (
            [
                str(row.day + 1),
                f"{row.depart:%a %d %b}",
                row.finish.name,
                f"{row.depart:%H:%M}-" + told(row.arrive, "%H:%M", zoned=zone_of(row.arrive) != zone_of(row.depart)),
                f"{u.dist(row.distance_m):.0f}",
                f"{round(u.height(row.climb_m), -1):,.0f}",
                f"{u.temp(row.air_k):.0f}",
                _smallest(report, row.worst),
            ],
            row.worst.level,
        )
        for row in day_rows(report)
    ]
    headings = ("day", "date", "to", "hours", u.distance, f"{u.elevation} up", "air", "margin")
    return _table(report.outlook.trip.name, headings, rows)


def _smallest(report: Report, margin: Margin) -> str:
    """Smallest margin of a day, with its fluid."""
    u, name = report.units, fluid_of(margin.fluid).short
    if margin.level == UNKNOWN.word:
        return f"{margin.level} {name}"
    return f"{u.diff(margin.margin_k):z.0f} {u.temperature} {name}"


def legs(report: Report) -> Table:
    """One row per leg: times, highest temperature and margin of every fluid."""
    u, places = report.units, report.outlook.trip.places
    share = round(100 * report.outlook.trip.confidence)
    rows = [
        (
            [
                str(row.day + 1),
                places[report.outlook.legs[row.leg].finish].name,
                told(row.arrive, "%H:%M", zoned=zone_of(row.arrive) != zone_of(row.depart)),
                f"{u.temp(row.air_k):.0f}",
                *(f"{u.temp(m.peak_k):.0f} ({round(u.diff(m.margin_k), 1):.0f})" for m in row.margins),
                row.worst.level,
            ],
            row.worst.level,
        )
        for row in leg_rows(report)
    ]
    names = [fluid_of(key).short for key in fluids_of(report.outlook)]
    headings = ("day", "to", "at", "air", *names, "level")
    return _table(f"{report.outlook.trip.name}: peak {u.temperature} (margin at {share} %)", headings, rows)


def effects(ranked: Sequence[Effect], units: str) -> tuple[Text, ...]:
    """Assumed values, largest effect first."""
    u = units_of(units)
    parts = [
        Text(
            "Measure these first (change of the smallest margin for the likely error of each, car as described):",
            style="bold",
        )
    ]
    for number, effect in enumerate(ranked[:_MOST_EFFECTS], start=1):
        why = effect.source.removeprefix("ASSUMED:").strip()
        moves, margin = u.diff(effect.moves_k), u.diff(effect.margin_k)
        head = f"{moves:.0f} of {margin:z.0f} {u.temperature} {fluid_of(effect.fluid).label}"
        line = Text(f"{number:2d}. ")
        line.append(effect.key, style="bold")
        parts.append(line.append(f" = {effect.text}: {head} for {effect.step}. {why}."))
    if len(ranked) > _MOST_EFFECTS:
        parts.append(Text(f"{len(ranked) - _MOST_EFFECTS} more have less effect; --json lists all."))
    return tuple(parts)


def whatif(outlook: Forecast, outcomes: Sequence[Outcome]) -> tuple[object, ...]:
    """Changes ranked by gain of margin, and those without gain."""
    u, names = units_of(outlook.trip.units), [fluid_of(f).short for f in fluids_of(outlook)]
    table = Table(title=f"Margin gained, {u.temperature} (left)", title_justify="left", box=None, pad_edge=False)
    table.add_column("change", overflow="fold")
    for heading in (*names, "min"):
        table.add_column(heading, justify="right", no_wrap=True)
    for outcome in (o for o in outcomes if o.only_costs or not o.buys_nothing):
        pairs = zip(outcome.gain_k, outcome.margin_k, strict=True)
        cells = [f"{u.diff(float(gain)):+z.0f} ({u.diff(float(left)):z.0f})" for gain, left in pairs]
        table.add_row(outcome.words, *cells, f"{outcome.minutes:+z.0f}")
    useless = [o.words + ", which the car already has" * o.had for o in outcomes if o.buys_nothing and not o.only_costs]
    costly = [outcome.words for outcome in outcomes if outcome.only_costs]
    said = f"No gain on this trip: {'; '.join(useless)}." if useless else ""
    said += f"{' ' * bool(said)}Reduces the margin: {'; '.join(costly)}." if costly else ""
    said = said or "Every change tried gains margin."
    return (*([table] if table.row_count else []), Text(said, style="bold"))
