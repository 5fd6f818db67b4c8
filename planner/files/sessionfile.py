"""Reading session.toml: laps on a closed course or runs up a closed hill, with pauses between."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time
from itertools import pairwise
from pathlib import Path

from planner.files import limits
from planner.files.dates import clock_of
from planner.files.limits import TOML_BYTES
from planner.files.names import PlaceNames
from planner.files.reading import Problems, file_fault, open_text, path_fault, read_text
from planner.files.tables import Column, number_column, read_table
from planner.files.tomlfile import Section, toml_of
from planner.model.errors import TripError
from planner.model.trip import Trip

FILE = "session.toml"
TOP_KEYS = ("name", "place", "elevation", "date", "start", "until", "pads", "air", "lap", "session", "pit")
LAP_KEYS = ("profile", "length", "time", "full_load", "corner_speed", "climb", "airflow", "back", "wait")
SESSION_KEYS = ("laps", "sessions", "out_lap", "in_lap")
PIT_KEYS = ("engine", "time")
PADS = ("street", "fast-road", "track")
_NUMBERS = ("length", "time", "full_load", "corner_speed", "climb")
_KMH = 1.0 / 3.6
_LOOP_RISE_M, _LOOP_SPEED_M_PER_S = 10.0, 1.0
LAP_COLUMNS = (
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="0.5", low=0.0, high=1e5),
    Column(name="speed", number=True, unit="m/s", usual=("mph", "km/h"), example="75", low=0.0, high=100.0),
    number_column("grade", "dimensionless", ("%",), example="6", low=-0.3, high=0.3),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LapNumbers:
    """A lap given by summary numbers; `full_load` is a share of its time."""

    length_m: float
    time_s: float
    full_load: float
    corner_m_per_s: float
    climb_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LapTable:
    """A lap given by points: distance, speed, grade to the next point."""

    distance_m: tuple[float, ...]
    speed_m_per_s: tuple[float, ...]
    grade: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Contents of session.toml, in SI."""

    name: str
    place: str
    elevation_m: float | None
    on: date
    first: time
    last: time
    # hours and temperatures entered; without any the place's usual high and low apply
    air: tuple[tuple[time, float], ...]
    pads: str
    lap: LapNumbers | LapTable
    airflow: float  # share of the car's usual cooling air
    back_m_per_s: float | None  # on the way back of a road that is not a loop; None for a closed course
    wait_s: float
    laps: int
    sessions: int
    out_lap: float
    in_lap: float
    pit_s: float
    pit_idle: bool
    assumptions: tuple[str, ...]


def read_session(folder: Path, trip: Trip) -> Setup:
    """Read session.toml of a trip folder, and the lap it names."""
    problems = Problems()
    missing = "is missing; write one with a table [lap], or copy it from the example 'alps'"
    text = open_text(folder, FILE, max_bytes=TOML_BYTES, problems=problems, missing=missing)
    data = None if text is None else toml_of(text, file=FILE, problems=problems)
    setup = None if data is None else _setup(Section(data, "", file=FILE, problems=problems), folder, trip)
    if setup is None or len(problems):
        raise TripError(problems.found())
    return setup


def _setup(top: Section, folder: Path, trip: Trip) -> Setup:
    lap, session, pit = top.table("lap"), top.table("session"), top.table("pit")
    for section, known in ((top, TOP_KEYS), (lap, LAP_KEYS), (session, SESSION_KEYS), (pit, PIT_KEYS)):
        section.check_keys(known)
    place, elevation_m, air = _where(top, trip)
    first, last = top.clock("start", time(9)), top.clock("until", time(17))
    if last < first:
        top.refuse("until", f"it must not be before 'start', {first:%H:%M}", code="order")
    said = _assumptions(top, lap, session, pit)
    return Setup(
        name=top.text("name", "Session"),
        place=place,
        elevation_m=elevation_m,
        on=top.day("date", trip.first_date) if "date" in top else trip.first_date,
        first=first,
        last=last,
        air=air,
        pads=top.choice("pads", PADS, "street"),
        lap=_lap(lap, folder),
        airflow=_airflow(lap),
        back_m_per_s=_back(lap),
        wait_s=lap.quantity("wait", "0 min", unit="s", low=0.0, high=3600.0, allowed="0 min to 60 min"),
        laps=session.count("laps", 6, high=100),
        sessions=session.count("sessions", 3, high=20),
        out_lap=session.number("out_lap", 0.7, low=0.3, high=1.0),
        in_lap=session.number("in_lap", 0.6, low=0.3, high=1.0),
        pit_s=pit.quantity("time", "30 min", unit="s", low=60.0, high=6 * 3600.0, allowed="1 min to 6 h"),
        pit_idle=pit.choice("engine", ("off", "idle"), "off") == "idle",
        assumptions=said,
    )


def _back(lap: Section) -> float | None:
    allowed = "7.2 km/h to 144 km/h"
    return lap.quantity("back", "30 km/h", unit="m/s", low=2.0, high=40.0, allowed=allowed) if "back" in lap else None


def _where(top: Section, trip: Trip) -> tuple[str, float | None, tuple[tuple[time, float], ...]]:
    names = PlaceNames.of(trip.places.values())
    place = names.key(top.text("place"))
    if place and place not in trip.places:
        advice = names.several(place) or top.problems.nearest(place, trip.places)
        top.refuse("place", f"it is not a place of the trip; {advice}", code="unknown-place")
    elevation_m = None
    if "elevation" in top:
        elevation_m = top.quantity("elevation", "300 m", unit="m", low=-450.0, high=6500.0, allowed="-450 m to 6500 m")
    table = top.table("air")
    air = []
    for hour in table.data:
        at = clock_of(hour)
        if at is None:
            table.fault(repr(hour)[1:-1][:50], "write a time as '09:00'")
            continue
        allowed = "-40 degC to 60 degC"
        air.append((at, table.quantity(hour, "25 degC", unit="K", low=233.15, high=333.15, allowed=allowed)))
    if not place and (elevation_m is None or not air):
        text = "is missing; name a place of the trip, or give 'elevation' and a table [air]"
        top.fault("place", text, code="missing-key")
    return place, elevation_m, tuple(sorted(air))


def _airflow(lap: Section) -> float:
    said = lap.data.get("airflow", "direct")
    if isinstance(said, str):
        if said != "direct":
            lap.refuse("airflow", 'write "direct", or the fraction of normal cooling airflow, e.g. 0.7')
        return 1.0
    return lap.number("airflow", 1.0, low=0.2, high=1.2)


def _lap(lap: Section, folder: Path) -> LapNumbers | LapTable:
    given = [key for key in _NUMBERS if key in lap]
    if "profile" in lap:
        if given:
            lap.fault(given[0], "'profile' is also given; keep one", code="conflict")
        return _lap_table(lap, folder) or LapTable(distance_m=(), speed_m_per_s=(), grade=())
    for key in ("length", "time", "full_load", "corner_speed"):
        lap.need(key, "a lap needs 'profile', or 'length', 'time', 'full_load' and 'corner_speed'")
    if "climb" in lap and "back" not in lap:
        text = "needs 'back', the speed of the return to the start; a closed course has no climb"
        lap.fault("climb", text, code="missing-key")
    return LapNumbers(
        length_m=lap.quantity("length", "4 km", unit="m", low=200.0, high=1e5, allowed="0.2 km to 100 km"),
        time_s=lap.quantity("time", "150 s", unit="s", low=10.0, high=7200.0, allowed="10 s to 2 h"),
        full_load=lap.number("full_load", 0.5, low=0.05, high=0.95),
        corner_m_per_s=lap.quantity(
            "corner_speed", "60 km/h", unit="m/s", low=15.0 * _KMH, high=60.0, allowed="15 km/h to 216 km/h"
        ),
        climb_m=lap.quantity("climb", "0 m", unit="m", low=-2000.0, high=2000.0, allowed="-2000 m to 2000 m"),
    )


def _lap_table(lap: Section, folder: Path) -> LapTable | None:
    name = lap.text("profile")
    fault = path_fault(name, example="laps/practice.csv")
    if not name.casefold().endswith(".csv"):
        fault = "name a .csv file inside the trip folder, e.g. laps/practice.csv"
    if fault is None:
        fault = file_fault(folder / name, root=folder, max_bytes=limits.TABLE_BYTES)
        fault = fault and f"the file {fault}"
    if fault is not None:
        lap.refuse("profile", fault, code="file-access")
        return None
    text, table = read_text(folder / name, file=name, problems=lap.problems), None
    if text is not None:
        table = read_table(text, file=name, columns=LAP_COLUMNS, max_rows=limits.LAP_ROWS, problems=lap.problems)
    if table is None:
        return None
    rows = [(row.value("distance"), row.value("speed"), row.value("grade")) for row in table.rows]
    found = [(d, v, 0.0 if g is None else g) for d, v, g in rows if d is not None and v is not None]
    if not found or len(found) < len(rows) or not table.headings.keys() >= {"distance", "speed"}:
        return None
    distance, speed, grade = zip(*found, strict=True)
    why = _table_fault(distance, speed)
    if why is not None:
        lap.problems.add(name, why, code="lap")
        return None
    rise_m = sum(g * (b - a) for g, (a, b) in zip(grade, pairwise(distance), strict=False))
    if "back" not in lap:
        _check_loop(lap, name, rise_m=rise_m, ends=(speed[0], speed[-1]))
    return LapTable(distance_m=distance, speed_m_per_s=speed, grade=grade)


def _check_loop(lap: Section, file: str, *, rise_m: float, ends: tuple[float, float]) -> None:
    advice = "a closed course ends where it starts; for a road that is not a loop give 'lap.back'"
    if abs(rise_m) > _LOOP_RISE_M:
        lap.problems.add(file, f"the lap ends {rise_m:+.0f} m above its start elevation; {advice}", code="lap")
    if abs(ends[1] - ends[0]) > _LOOP_SPEED_M_PER_S:
        speeds = f"starts at {ends[0]:.0f} m/s and ends at {ends[1]:.0f} m/s"
        lap.problems.add(file, f"the lap {speeds}; {advice}", code="lap")


def _table_fault(distance_m: Sequence[float], speed_m_per_s: Sequence[float]) -> str | None:
    if len(distance_m) < 3 or distance_m[-1] < 200.0:
        return "a lap needs at least three points and 200 m"
    if distance_m[0] != 0.0 or any(b - a < 0.5 for a, b in pairwise(distance_m)):
        return "distances must start at 0 and increase from row to row"
    if any(a + b < 1.0 for a, b in pairwise(speed_m_per_s)):
        return "the speed is 0 at two successive points; at least one of each pair must be above 0"
    return None


def _assumptions(top: Section, lap: Section, session: Section, pit: Section) -> tuple[str, ...]:
    defaults = (
        ("airflow" in lap, "Undisturbed cooling air assumed, no car close ahead (no 'airflow')."),
        ("pads" in top, "Street brake pads assumed, fading from 350 degC (no 'pads')."),
        ("out_lap" in session or "back" in lap, "Out-lap assumed at 0.7 of lap speed (no 'out_lap')."),
        ("in_lap" in session or "back" in lap, "In-lap assumed at 0.6 of lap speed (no 'in_lap')."),
        ("engine" in pit, "Engine assumed off in the pit (no 'engine')."),
    )
    return tuple(text for said, text in defaults if not said)
