"""Session results as text, tables and plain data; service due; cautions."""

import math

from rich.table import Table
from rich.text import Text

from planner.analysis.alarm_words import HEADINGS, caution_lines, fluid_data, fluid_rows
from planner.analysis.service import AFTER_SESSION
from planner.files.sessionfile import LapNumbers
from planner.laps.run import Hour, Planned, SessionOutcome
from planner.laps.stints import PAD_LIMIT_K, ROTOR, Case
from planner.model.display import Units, units_of
from planner.model.trip import Trip
from thermal.fluids import FLUIDS, fluid_of, limit_of

SCHEMA = "grademargin-session/1"
_OIL_OF = {"transmission": "transmission fluid", "differential": "differential oil"}
_CORNER_SHARE = 0.25  # larger differences of corner speed are reported
CAUTIONS = (
    "Only on a road or course that is closed and marshalled, under its organiser's rules.",
    "The lap counts are a forecast for a car that was never fitted to a log at this load; the gauges and the brake "
    "pedal take precedence. Come in when a gauge passes its caution mark, the pedal travel grows or the brakes smell.",
    "Rotor temperatures are averages over the whole rotor, with assumed fade limits. The face, the pads and the brake "
    "fluid are not modelled; old fluid boils long before pads fade.",
    "After hard laps drive one slowly before stopping. Do not pull the handbrake on hot rotors, and do not open a hot "
    "cooling system.",
    "Tyres, wheel bearings, fuel surge and oil surge in long bends are not modelled.",
)


def part_name(part: str) -> str:
    """Display name of a fluid or the rotors.

    >>> part_name("engine_oil"), part_name("rotors")
    ('engine oil', 'front rotors')
    """
    return "front rotors" if part == ROTOR else fluid_of(part).label


# --- service due ---


def due_after(outcome: SessionOutcome) -> tuple[str, ...]:
    """List the jobs due after a session."""
    case, found = outcome.case, []
    for part, job in _OIL_OF.items():
        if part not in case.parts:
            continue
        limit = limit_of(case.vehicle, fluid_of(part))
        hottest = limit.limit_k - min((p.margin_k[part] for p in outcome.planned), default=math.inf)
        if hottest > limit.caution_k:
            found.append(job)
    return (*AFTER_SESSION, *found)


# --- words ---


def _laps_words(hour: Hour, tried: int) -> str:
    return f"{tried}+" if hour.least is None else f"{hour.least} {part_name(hour.part)}"


def _minutes_words(minutes: int | None) -> str:
    return "-" if minutes is None else f"{minutes}"


def lap_words(case: Case, u: Units) -> str:
    """Describe the lap."""
    lap, back = case.lap, case.setup.back_m_per_s
    what = "A lap" if back is None else "A run up"
    more = "" if back is None else f", then back at {u.pace(back):.0f} {u.speed}"
    wait = "" if not case.setup.wait_s else f", {case.setup.wait_s / 60.0:.0f} min idling at the start"
    top = u.pace(float(lap.end_m_per_s.max()))
    made = " Computed from the numbers given." if isinstance(case.setup.lap, LapNumbers) else ""
    size = f"{u.dist(lap.length_m):.2f} {u.distance} in {lap.time_s:.0f} s"
    return f"{what} is {size}, up to {top:.0f} {u.speed}{more}{wait}.{made}"


def notes(outcome: SessionOutcome, u: Units) -> tuple[str, ...]:
    """Sentences on the lap, the pit, and assumptions."""
    case = outcome.case
    pads, fade = case.setup.pads, f"{u.temp(PAD_LIMIT_K[case.setup.pads]):.0f} {u.temperature}"
    said = [
        lap_words(case, u),
        f"At full load {outcome.full_load:.0%} of the time. Pads: {pads}, fade from {fade} (assumed).",
    ]
    if outcome.short > 0.0:
        said.append(
            f"For {outcome.short:.0%} of the time the lap needs more power than the engine has; check its speeds."
        )
    asked = case.setup.lap.corner_m_per_s if isinstance(case.setup.lap, LapNumbers) else case.lap.begin_m_per_s
    if abs(case.lap.begin_m_per_s - asked) > _CORNER_SHARE * asked:
        corner, wanted = f"{u.pace(case.lap.begin_m_per_s):.0f} {u.speed}", f"{u.pace(asked):.0f} {u.speed}"
        said.append(
            f"To fit length, time and full load, the corner speed is {corner} instead of {wanted}; check the corner "
            "speeds."
        )
    soaks = [hour.soak_k for hour in outcome.hours if not math.isnan(hour.soak_k)]
    if soaks and min(soaks) < case.band_k:
        left = f"{u.diff(min(soaks)):.0f} {u.temperature}"
        said.append(
            f"Shut off hot, the coolant keeps rising, to {left} below its limit: drive slowly for longer first."
        )
    return (*said, *case.setup.assumptions)


def tables(outcome: SessionOutcome, trip: Trip) -> tuple[object, ...]:
    """All results of a session, for a terminal of 80 columns."""
    u, case = units_of(trip.units), outcome.case
    share = f"{case.confidence:.0%}"
    legend = Text(
        f"Laps until a margin is thin at {share} confidence, the car warm from the road; minutes in the pit, "
        "engine off or idling, until the laps driven can be driven again ('-': not within three hours).\n"
    )
    parts: list[object] = [_hours(outcome, u), Text(), legend, _planned(outcome, u), Text()]
    parts += [_alarms(outcome, u), *(Text(f"- {said}") for said in caution_lines(outcome.alarms, u)), Text()]
    parts += [Text(f"- {said}") for said in notes(outcome, u)]
    parts.append(Text("Service due afterwards", style="bold"))
    parts += [Text(f"- {job}") for job in due_after(outcome)]
    parts.append(Text("Before you drive", style="bold"))
    return (*parts, *(Text(f"- {caution}") for caution in CAUTIONS))


def _hours(outcome: SessionOutcome, u: Units) -> Table:
    table = Table(title=outcome.case.setup.name, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for heading in ("from", f"air {u.temperature}", "laps", "driven", "min off", "min idling"):
        table.add_column(heading, justify="left" if heading in ("from", "laps") else "right", no_wrap=True)
    for hour in outcome.hours:
        table.add_row(
            f"{hour.at:%H:%M}",
            f"{u.temp(hour.air_k):.0f}",
            _laps_words(hour, outcome.tried),
            str(hour.driven),
            _minutes_words(hour.cool_off_min),
            _minutes_words(hour.cool_idle_min),
        )
    return table


def _planned(outcome: SessionOutcome, u: Units) -> Table:
    case, setup = outcome.case, outcome.case.setup
    engine = "idling" if setup.pit_idle else "off"
    title = (
        f"As planned: {setup.laps} laps, {setup.pit_s / 60.0:.0f} min {engine} between; peak {u.temperature} (margin)"
    )
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    short = {fluid.key: fluid.short for fluid in FLUIDS}
    for heading in ("from", *(short.get(part, part) for part in case.parts), "level"):
        table.add_column(heading, justify="right", no_wrap=True)
    styles = {"ample": "", "thin": "bold yellow", "exceeded": "bold red"}
    for one in outcome.planned:
        cells = [f"{u.temp(one.peak_k[part]):.0f} ({round(u.diff(one.margin_k[part]))})" for part in case.parts]
        table.add_row(f"{one.begin:%H:%M}", *cells, one.level, style=styles[one.level])
    return table


def _alarms(outcome: SessionOutcome, u: Units) -> Table:
    """What each gauge shows in the planned sessions; the low mark needs an hour on the road, and is the trip's."""
    title = f"Alarms for these sessions, engine running; {u.temperature}"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    columns = [at for at, heading in enumerate(HEADINGS) if heading != "low"]
    for at in columns:
        table.add_column(HEADINGS[at], justify="left" if at == 0 else "right", no_wrap=True)
    for row in fluid_rows(outcome.alarms, u):
        table.add_row(*(row[at] for at in columns))
    return table


# --- plain data ---


def session_dict(outcome: SessionOutcome) -> dict[str, object]:
    """All results of a session as plain data, SI units in the names."""
    case = outcome.case
    return {
        "schema": SCHEMA,
        "session": case.setup.name,
        "date": case.setup.on.isoformat(),
        "vehicle": case.vehicle.name,
        "confidence": case.confidence,
        "draws": len(case.shift_k) - 1,
        "lap": {
            "length_m": round(case.lap.length_m, 1),
            "time_s": round(case.lap.time_s, 1),
            "full_load": round(outcome.full_load, 3),
            "asks_for_more": round(outcome.short, 3),
        },
        "laps_tried": outcome.tried,
        "distance_m": round(outcome.distance_m, 1),
        "pad_limit_k": PAD_LIMIT_K[case.setup.pads],
        "hours": [_hour_dict(hour) for hour in outcome.hours],
        "sessions": [_planned_dict(one) for one in outcome.planned],
        "alarms": [fluid_data(alarm) for alarm in outcome.alarms],
        "due": list(due_after(outcome)),
        "assumed": list(case.setup.assumptions),
        "cautions": list(CAUTIONS),
    }


def _hour_dict(hour: Hour) -> dict[str, object]:
    return {
        "from": f"{hour.at:%H:%M}",
        "air_k": round(hour.air_k, 2),
        "laps": {part_name(part): n for part, n in hour.laps.items()},
        "least": hour.least,
        "first_thin": part_name(hour.part) if hour.part else None,
        "driven": hour.driven,
        "minutes_off": hour.cool_off_min,
        "minutes_idling": hour.cool_idle_min,
        "soak_margin_k": None if math.isnan(hour.soak_k) else round(hour.soak_k, 3),
    }


def _planned_dict(one: Planned) -> dict[str, object]:
    return {
        "from": f"{one.begin:%H:%M}",
        "air_k": round(one.air_k, 2),
        "level": one.level,
        "closest": part_name(one.part),
        "margin_k": {part_name(part): round(k, 3) for part, k in one.margin_k.items()},
        "peak_k": {part_name(part): round(k, 3) for part, k in one.peak_k.items()},
    }
