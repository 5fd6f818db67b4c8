"""Summary lines of a plan, shared by terminal, page, calendar and files."""

from collections import Counter

from planner.analysis.margins import Margin
from planner.forecast.run import leg_name
from planner.model.display import counted
from planner.model.levels import AMPLE, EXCEEDED, THIN, UNKNOWN
from planner.output.gaps import gap_words
from planner.output.report import Report
from thermal.fluids import fluid_of


def headline(report: Report) -> str:
    """Count the legs per level."""
    share = round(100 * report.outlook.trip.confidence)
    count = Counter(report.worst(leg).level for leg in range(len(report.outlook.legs)))
    whole = f"{counted(len(report.outlook.legs), 'leg')} at {share} % confidence"
    said = [
        f"{count[level.word]} {'not known' if level is UNKNOWN else level.word}"
        for level in (EXCEEDED, THIN, UNKNOWN, AMPLE)
        if count[level.word]
    ]
    return f"Margins of {whole}: {', '.join(said)}."


def margin_words(report: Report, margin: Margin) -> str:
    """Short text of a margin: expected, upper and limit."""
    u = report.units
    name, share = fluid_of(margin.fluid).label, round(100 * report.outlook.trip.confidence)
    if margin.level == UNKNOWN.word:
        return f"{name} not known"
    return (
        f"{name} {u.temp(margin.peak_k):.0f} {u.temperature} expected, up to {u.temp(margin.upper_k):.0f} "
        f"at {share} %, limit {u.temp(margin.limit_k):.0f}: {margin.level}"
    )


def unknown_words(report: Report, leg: int) -> str:
    """Reason why the margins of a leg are not known."""
    doubted = _doubted_on(report, report.worst(leg))
    if doubted is not None:
        return f"{doubted}: margin not known until the gauge is checked"
    if _only_heat(report, report.worst(leg)):
        return "no highs given nearby, and the day may be hotter than usual: margin not known"
    gaps = report.unknowns.of_leg(leg)
    if gaps:
        return f"{gap_words(report.units, max(gaps, key=lambda gap: gap.length_m))}: margin not known"
    before = [gap.leg for gap in report.unknowns.gaps if gap.leg < leg]
    origin = leg_name(report.outlook, before[-1]) if before else "the road before"
    return f"heat carried over from {origin}, which has no profile: margin not known"


def unknown_sentence(report: Report, margin: Margin) -> str:
    """Reason why a leg's margins are not known, with the margin at a constant grade and on the hardest road."""
    u, why = report.units, unknown_words(report, margin.leg)
    if _doubted_on(report, margin) is not None:
        return (
            f"{why[:1].upper()}{why[1:]}. As planned the {fluid_of(margin.fluid).label} margin is "
            f"{u.diff(margin.margin_k):.0f} {u.temperature}; if the gauge is right, {u.diff(margin.least_k):z.0f}."
        )
    if _only_heat(report, margin):
        heat = f"{u.diff(float(report.unknowns.heat_k[margin.leg])):.0f} {u.temperature}"
        return (
            f"{why[:1].upper()}{why[1:]}. On a usual day the {fluid_of(margin.fluid).label} margin is "
            f"{u.diff(margin.margin_k):.0f} {u.temperature} at this confidence; on a day {heat} hotter, "
            f"{u.diff(margin.least_k):z.0f}. Enter highs of places there, or fetch a forecast: grademargin weather."
        )
    own = bool(report.unknowns.of_leg(margin.leg))
    return (
        f"{why[:1].upper()}{why[1:]}. {'At a constant grade' if own else 'At a constant grade before it'} the "
        f"{fluid_of(margin.fluid).label} margin is {u.diff(margin.margin_k):.0f} {u.temperature}; on the hardest "
        f"road the terrain allows, {u.diff(margin.least_k):z.0f}. Add a profile for {'the' if own else 'that'} leg."
    )


def _only_heat(report: Report, margin: Margin) -> bool:
    """Whether only a possibly hotter day, for want of entered highs, makes the margin unknown."""
    heat_k = float(report.unknowns.heat_k[margin.leg])
    return heat_k > 0.0 and margin.least_k + heat_k >= report.outlook.trip.thin_band_k


def _doubted_on(report: Report, margin: Margin) -> str | None:
    """The reading that makes a margin unknown; None if the cause is the road."""
    u = report.units
    for seen in report.unknowns.doubted:
        if seen.what == margin.fluid and margin.margin_k - margin.least_k <= seen.read_k - seen.expected_k + 1e-9:
            return (
                f"{fluid_of(seen.what).label} read {u.temp(seen.read_k):.0f} {u.temperature} at {seen.where}, "
                f"{u.temp(seen.expected_k):.0f} expected"
            )
    return None
