"""Reading session.toml: laps on a closed course or runs up a closed hill, with pauses between."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from itertools import pairwise
from pathlib import Path, PureWindowsPath

from planner.errors import TripError
from planner.files.reading import Problems, file_fault, nearest, read_text, shown
from planner.files.tables import Column, read_table
from planner.model import Trip
from thermal.errors import UnitError
from thermal.tomltext import load_toml
from thermal.units import to_si

FILE = "session.toml"
TOP_KEYS = ("name", "place", "elevation", "date", "start", "until", "pads", "air", "lap", "session", "pit")
LAP_KEYS = ("profile", "length", "time", "full_load", "corner_speed", "climb", "airflow", "back", "wait")
SESSION_KEYS = ("laps", "sessions", "out_lap", "in_lap")
PIT_KEYS = ("engine", "time")
PADS = ("street", "fast-road", "track")
_NUMBERS = ("length", "time", "full_load", "corner_speed", "climb")
_MAX_BYTES, _MAX_ROWS = 1_000_000, 5000
_KMH = 1.0 / 3.6
_LOOP_RISE_M, _LOOP_SPEED_M_PER_S = 10.0, 1.0
LAP_COLUMNS = (
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="0.5", low=0.0, high=1e5),
    Column(name="speed", number=True, unit="m/s", usual=("mph", "km/h"), example="75", low=0.0, high=100.0),
    Column(
        name="grade", required=False, number=True, unit="dimensionless", usual=("%",), example="6", low=-0.3, high=0.3
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LapNumbers:
    """A lap known by a few numbers; `full_load` is a share of its time."""

    length_m: float
    time_s: float
    full_load: float
    corner_m_per_s: float
    climb_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LapTable:
    """A lap known point by point: distance, speed there, grade from there to the next point."""

    distance_m: tuple[float, ...]
    speed_m_per_s: tuple[float, ...]
    grade: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What session.toml says, in SI.

    `air` holds hours and temperatures entered; without it the place's usual high and low count. `airflow` is the share
    of the car's usual cooling air. `back_m_per_s` is the speed of the way back to the start of a road that is no loop;
    None for a closed course.
    """

    name: str
    place: str
    elevation_m: float | None
    on: date
    first: time
    last: time
    air: tuple[tuple[time, float], ...]
    pads: str
    lap: LapNumbers | LapTable
    airflow: float
    back_m_per_s: float | None
    wait_s: float
    laps: int
    sessions: int
    out_lap: float
    in_lap: float
    pit_s: float
    pit_idle: bool
    assumptions: tuple[str, ...]


def read_session(folder: Path, trip: Trip) -> Setup:
    """Read session.toml of a trip folder, and the lap it names.

    Parameters
    ----------
    folder : Path
        The trip folder. [-]
    trip : Trip
        Its places; its departure is the date when none is given. [-]

    Returns
    -------
    Setup
        Checked, in SI.

    Raises
    ------
    TripError
        Carries every problem, one sentence each.
    """
    problems = Problems()
    fault = file_fault(folder / FILE, root=folder, max_bytes=_MAX_BYTES)
    if fault is not None:
        why = f"{fault}; write one with a lap, or copy it from the example 'alps'" if fault == "is missing" else fault
        problems.add(FILE, why)
        raise TripError(problems.sentences())
    text = read_text(folder / FILE, file=FILE, problems=problems)
    data = None if text is None else _load(text, problems)
    setup = None if data is None else _setup(_Keys(data, "", problems), folder, trip)
    if setup is None or len(problems):
        raise TripError(problems.sentences())
    return setup


def _load(text: str, problems: Problems) -> dict[str, object] | None:
    try:
        return load_toml(text)
    except ValueError as exc:
        problems.add(FILE, f"cannot be read as TOML ({exc}); write key = value, texts in quotation marks")
        return None


class _Keys:
    """One table; its readers note what is bad and return the default in its stead."""

    def __init__(self, data: Mapping[str, object], prefix: str, problems: Problems) -> None:
        self.data, self.prefix, self.problems = data, prefix, problems

    def fault(self, key: str, text: str) -> None:
        self.problems.add(FILE, text, key=self.prefix + key)

    def refuse(self, key: str, needed: str) -> None:
        got = f"read {shown(self.data[key])}" if key in self.data else "is missing"
        self.fault(key, f"{got}; {needed}")

    def only(self, known: Sequence[str]) -> None:
        for key in self.data:
            if key not in known:
                self.fault(repr(key)[1:-1][:50], f"unknown key; {nearest(key, known)}")

    def table(self, key: str, known: Sequence[str]) -> "_Keys":
        value = self.data.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"write its keys under a line [{key}]")
            value = {}
        inner = _Keys(value, f"{key}.", self.problems)
        if known:
            inner.only(known)
        return inner

    def word(self, key: str, default: str, options: Sequence[str] = ()) -> str:
        value = self.data.get(key, default)
        if not isinstance(value, str) or len(value) > 200:
            self.refuse(key, "a text in quotation marks is needed")
            return default
        if options and value not in options:
            self.refuse(key, nearest(value, options))
            return default
        return " ".join(value.split())

    def number(self, key: str, default: float, *, low: float, high: float) -> float:
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.refuse(key, f"a number from {low:g} to {high:g} is needed, e.g. {default:g}")
            return default
        return float(value)

    def count(self, key: str, default: int, *, high: int) -> int:
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= high:
            self.refuse(key, f"a whole number from 1 to {high} is needed, e.g. {default}")
            return default
        return value

    def quantity(self, key: str, default: str, *, unit: str, low: float, high: float) -> float:
        text = self.data.get(key, default)
        example = f"a number and a unit in quotation marks are needed, e.g. '{default}'"
        try:
            value = to_si(text, unit) if isinstance(text, str) else None
        except UnitError:
            value = None
        if value is None:
            self.refuse(key, example)
        elif not low <= value <= high:
            self.refuse(key, f"allowed is {low:g} to {high:g} {unit}, e.g. '{default}'")
        else:
            return value
        return to_si(default, unit)

    def clock(self, key: str, default: time) -> time:
        value = self.data.get(key, default)
        found = _clock(value) if isinstance(value, str) else value
        if not isinstance(found, time):
            self.refuse(key, f"a time of day is needed, e.g. '{default:%H:%M}'")
            return default
        return found


def _clock(text: str) -> time | None:
    if re.fullmatch(r"\d\d:\d\d", text, re.ASCII) is None:
        return None
    try:
        return time.fromisoformat(text)
    except ValueError:
        return None


def _setup(top: _Keys, folder: Path, trip: Trip) -> Setup:
    top.only(TOP_KEYS)
    lap, session, pit = top.table("lap", LAP_KEYS), top.table("session", SESSION_KEYS), top.table("pit", PIT_KEYS)
    place, elevation_m, air = _where(top, trip)
    first, last = top.clock("start", time(9)), top.clock("until", time(17))
    if last < first:
        top.refuse("until", f"it must not be before 'start', {first:%H:%M}")
    said = _assumptions(top, lap, session, pit)
    return Setup(
        name=top.word("name", "Session"),
        place=place,
        elevation_m=elevation_m,
        on=_date(top, trip.first_date),
        first=first,
        last=last,
        air=air,
        pads=top.word("pads", "street", PADS),
        lap=_lap(lap, folder),
        airflow=_airflow(lap),
        back_m_per_s=lap.quantity("back", "30 km/h", unit="m/s", low=2.0, high=40.0) if "back" in lap.data else None,
        wait_s=lap.quantity("wait", "0 min", unit="s", low=0.0, high=3600.0),
        laps=session.count("laps", 6, high=100),
        sessions=session.count("sessions", 3, high=20),
        out_lap=session.number("out_lap", 0.7, low=0.3, high=1.0),
        in_lap=session.number("in_lap", 0.6, low=0.3, high=1.0),
        pit_s=pit.quantity("time", "30 min", unit="s", low=60.0, high=6 * 3600.0),
        pit_idle=pit.word("engine", "off", ("off", "idle")) == "idle",
        assumptions=said,
    )


def _where(top: _Keys, trip: Trip) -> tuple[str, float | None, tuple[tuple[time, float], ...]]:
    """Place, or elevation and air."""
    place = top.word("place", "")
    if place and place not in trip.places:
        top.refuse("place", f"it is not among the trip's places; {nearest(place, trip.places)}")
    elevation_m = None
    if "elevation" in top.data:
        elevation_m = top.quantity("elevation", "300 m", unit="m", low=-450.0, high=6500.0)
    table = top.table("air", ())
    air = []
    for hour in table.data:
        at = _clock(hour)
        if at is None:
            table.fault(repr(hour)[1:-1][:50], "hours are written as '09:00'")
            continue
        air.append((at, table.quantity(hour, "25 degC", unit="K", low=233.15, high=333.15)))
    if not place and (elevation_m is None or not air):
        top.fault("place", "is missing; name a place of the trip, or give 'elevation' and a table [air]")
    return place, elevation_m, tuple(sorted(air))


def _date(top: _Keys, default: date) -> date:
    value = top.data.get("date", default)
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
        try:
            value = date.fromisoformat(value)
        except ValueError:
            value = None
    if type(value) is not date or not 1900 <= value.year <= 2100:
        top.refuse("date", "a date is needed, e.g. '2027-07-10'")
        return default
    return value


def _airflow(lap: _Keys) -> float:
    if lap.data.get("airflow", "direct") == "direct":
        return 1.0
    if isinstance(lap.data["airflow"], str):
        lap.refuse("airflow", 'write "direct", or the share of the usual cooling air that is left, e.g. 0.7')
        return 1.0
    return lap.number("airflow", 1.0, low=0.2, high=1.2)


def _lap(lap: _Keys, folder: Path) -> LapNumbers | LapTable:
    given = [key for key in _NUMBERS if key in lap.data]
    if "profile" in lap.data:
        if given:
            lap.fault(given[0], "stands beside 'profile'; keep one or the other")
        return _lap_table(lap, folder) or LapTable(distance_m=(), speed_m_per_s=(), grade=())
    for key in ("length", "time", "full_load", "corner_speed"):
        if key not in lap.data:
            lap.fault(key, "is missing; a lap needs 'profile', or length, time, full_load and corner_speed")
    if "climb" in lap.data and "back" not in lap.data:
        lap.fault(
            "climb", "stands without 'back', the speed of the way back to the start; a closed course has no climb"
        )
    return LapNumbers(
        length_m=lap.quantity("length", "4 km", unit="m", low=200.0, high=1e5),
        time_s=lap.quantity("time", "150 s", unit="s", low=10.0, high=7200.0),
        full_load=lap.number("full_load", 0.5, low=0.05, high=0.95),
        corner_m_per_s=lap.quantity("corner_speed", "60 km/h", unit="m/s", low=15.0 * _KMH, high=60.0),
        climb_m=lap.quantity("climb", "0 m", unit="m", low=-2000.0, high=2000.0),
    )


def _lap_table(lap: _Keys, folder: Path) -> LapTable | None:
    """Read the lap's CSV."""
    name = lap.word("profile", "")
    path = PureWindowsPath(name)
    if not name or "\\" in name or path.drive or path.root or ".." in path.parts or path.suffix.casefold() != ".csv":
        lap.refuse("profile", "name a .csv file inside the trip folder, with /, e.g. 'laps/practice.csv'")
        return None
    fault = file_fault(folder / name, root=folder, max_bytes=_MAX_BYTES)
    if fault is not None:
        lap.refuse("profile", f"the file {fault}")
        return None
    text = read_text(folder / name, file=name, problems=lap.problems)
    if text is None:
        return None
    spelled = text.replace("[%]", "[percent]", 1)
    table = read_table(spelled, file=name, columns=LAP_COLUMNS, max_rows=_MAX_ROWS, problems=lap.problems)
    if table is None:
        return None
    rows = [(row.value("distance"), row.value("speed"), row.value("grade")) for row in table.rows]
    found = [(d, v, 0.0 if g is None else g) for d, v, g in rows if d is not None and v is not None]
    if len(found) < len(rows) or not table.headings.keys() >= {"distance", "speed"}:
        return None
    distance, speed, grade = zip(*found, strict=True)
    why = _table_fault(distance, speed)
    if why is not None:
        lap.problems.add(name, why)
        return None
    rise_m = sum(g * (b - a) for g, (a, b) in zip(grade, pairwise(distance), strict=False))
    if "back" not in lap.data:
        _check_loop(lap, name, rise_m=rise_m, ends=(speed[0], speed[-1]))
    return LapTable(distance_m=distance, speed_m_per_s=speed, grade=grade)


def _check_loop(lap: _Keys, file: str, *, rise_m: float, ends: tuple[float, float]) -> None:
    """Note a closed course that does not close."""
    advice = "a closed course comes back to where it began; for a road that is no loop give 'lap.back'"
    if abs(rise_m) > _LOOP_RISE_M:
        lap.problems.add(file, f"the lap ends {rise_m:+.0f} m from the height it began at; {advice}")
    if abs(ends[1] - ends[0]) > _LOOP_SPEED_M_PER_S:
        lap.problems.add(file, f"the lap begins at {ends[0]:.0f} m/s and ends at {ends[1]:.0f} m/s; {advice}")


def _table_fault(distance_m: Sequence[float], speed_m_per_s: Sequence[float]) -> str | None:
    """Say what is wrong with a lap's points."""
    if len(distance_m) < 3 or distance_m[-1] < 200.0:
        return "a lap needs at least three points and 200 m"
    if distance_m[0] != 0.0 or any(b - a < 0.5 for a, b in pairwise(distance_m)):
        return "distances must begin at 0 and rise from row to row"
    if any(a + b < 1.0 for a, b in pairwise(speed_m_per_s)):
        return "the car stands between two points; give a speed above 0 to at least one of each pair"
    return None


def _assumptions(top: _Keys, lap: _Keys, session: _Keys, pit: _Keys) -> tuple[str, ...]:
    """Sentences for what was not said."""
    defaults = (
        ("airflow" in lap.data, "Cooling air taken as direct, nobody driving close ahead (no 'airflow')."),
        ("pads" in top.data, "Street pads assumed, which begin to fade at 350 degC (no 'pads')."),
        (
            "out_lap" in session.data or "back" in lap.data,
            "Out-lap at 0.7 of the speed of a lap assumed (no 'out_lap').",
        ),
        ("in_lap" in session.data or "back" in lap.data, "In-lap at 0.6 of the speed of a lap assumed (no 'in_lap')."),
        ("engine" in pit.data, "Engine taken as off in the pit (no 'engine')."),
    )
    return tuple(text for said, text in defaults if not said)
