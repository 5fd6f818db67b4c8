"""Forecast an older car's fluid temperatures along a planned drive: the interface for Python, and for the command line.

Every function takes a trip: the path of its folder, or what `read` made of one. Results give pandas DataFrames in SI
units, the unit at the end of each column's name (`peak_k`, `distance_m`), and times as zoned timestamps.

Examples
--------
>>> import planner
>>> p = planner.plan(planner.example("minimal"))
>>> list(p.days[["day", "level"]].itertuples(index=False, name=None))
[(1, 'ample')]
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from planner.analysis.alarms import Reference
    from planner.forecast.assemble import Inputs
    from planner.forecast.run import Forecast
    from planner.newtrip.draft import Draft
    from planner.output.noted import NotedResult
    from planner.output.results import (
        AlarmsResult,
        CheckResult,
        FitResult,
        Plan,
        ReviewResult,
        SessionResult,
        WhatIfResult,
    )
    from planner.weather.command import WeatherReport

    Trip = str | PathLike[str] | Inputs | Plan
    Log = str | PathLike[str]
    Progress = Callable[[str], None]

__all__ = [
    "__version__",
    "alarms",
    "check",
    "example",
    "examples",
    "fetch_weather",
    "fit",
    "fit_drive",
    "new",
    "new_from_track",
    "plan",
    "read",
    "review",
    "session",
    "whatif",
]


def __getattr__(name: str) -> str:
    """Look the version up when it is asked for."""
    if name == "__version__":
        from importlib.metadata import version

        return version("grademargin")
    message = f"module 'planner' has no attribute {name!r}"
    raise AttributeError(message)


def examples() -> tuple[str, ...]:
    """Names of the worked examples.

    Returns
    -------
    tuple of str
        For `example` and `new`.

    Examples
    --------
    >>> examples()
    ('alps', 'benchmark', 'minimal', 'wilmington-astoria')
    """
    from planner.files.folder import examples

    return examples()


def example(name: str) -> Path:
    """Folder of a worked example, to be read; `new` makes a copy to be edited.

    Parameters
    ----------
    name : str
        One of `examples()`.

    Returns
    -------
    Path
        A trip folder.

    Raises
    ------
    PlannerError
        If there is no such example.

    Examples
    --------
    >>> example("alps").name
    'alps'
    """
    from planner.files.folder import example_folder

    return example_folder(name)


def new(folder: "Log", example: str = "minimal", *, spreadsheet: bool = False) -> tuple[str, ...]:
    """Make a new trip folder from a worked example.

    Parameters
    ----------
    folder : path
        Must not exist, or be empty.
    example : str
        One of `examples()`.
    spreadsheet : bool
        Put the tables of places and legs into trip.xlsx.

    Returns
    -------
    tuple of str
        Files written, relative to the folder.

    Raises
    ------
    PlannerError
        If there is no such example, or the folder holds anything; nothing is ever overwritten.
    OutputError
        If the folder cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> new(Path(tempfile.mkdtemp()) / "july")
    ('legs.csv', 'places.csv', 'trip.toml', 'vehicle.toml')
    """
    from planner.files.folder import new_folder, new_spreadsheet

    return (new_spreadsheet if spreadsheet else new_folder)(Path(folder), example)


def new_from_track(
    folder: "Log",
    tracks: "Sequence[Log]",
    *,
    start: str | None = None,
    base: str | None = None,
    driving: str | None = None,
    spreadsheet: bool = False,
) -> "Draft":
    """Make a new trip folder from a track of the road: places, legs, profiles, usual temperatures; asks no network.

    Parameters
    ----------
    folder : path
        Must not exist, or be empty.
    tracks : sequence of path
        GPX, KML or GeoJSON files of the road, in the order of driving.
    start : str, optional
        Local time to set off, `2027-08-06 07:00`; 15 July 2027 at 08:00 without it.
    base : str, optional
        Class of the car; a six-cylinder estate without it.
    driving : str, optional
        Most driving of a day, `6h`; 8 hours without it.
    spreadsheet : bool
        Put the tables of places and legs into trip.xlsx.

    Returns
    -------
    Draft
        What was written: `places`, `legs`, `route`, and `assumed`, sentences on what nobody said.

    Raises
    ------
    TripError
        If a file cannot be read, or is no drive.
    PlannerError
        If an option is not understood, or the folder holds anything; nothing is ever overwritten.
    OutputError
        If the folder cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> points = "".join(f'<trkpt lat="38.{n:02}" lon="-102.3"><ele>1100</ele></trkpt>' for n in range(20))
    >>> _ = (folder / "road.gpx").write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    >>> len(new_from_track(folder / "july", [folder / "road.gpx"]).places)
    4
    """
    from planner.newtrip.make import new_from_track

    paths = [Path(track) for track in tracks]
    _, draft = new_from_track(Path(folder), paths, start=start, base=base, driving=driving, spreadsheet=spreadsheet)
    return draft


def read(folder: "Log", *, changes: Mapping[str, str] | None = None, progress: "Progress | None" = None) -> "Inputs":
    """Read a trip folder: the trip, the car, and the weather that was entered or fetched earlier.

    Parameters
    ----------
    folder : path
        The trip folder.
    changes : mapping of str to str, optional
        Values of the car to change, named and written as in vehicle.toml.
    progress : callable, optional
        Receives a sentence when kept weather cannot be used.

    Returns
    -------
    Inputs
        Frozen: `trip`, `car`, `known`. Every other function takes it in place of the folder.

    Raises
    ------
    TripError
        Carries every problem of the folder's files, one sentence each.
    PlannerError
        If a change names no value of a car, or cannot be read.

    Examples
    --------
    >>> heavy = read(example("minimal"), changes={"body.mass": "1900 kg"})
    >>> heavy.car.vehicle.body.mass_kg
    1900.0
    """
    from planner.forecast.assemble import quiet, read_inputs

    return read_inputs(Path(folder), progress=progress or quiet).changed(changes or {})


def plan(
    trip: "Trip",
    *,
    from_place: str | None = None,
    along: str | None = None,
    at: str | None = None,
    readings: Sequence[str] = (),
    driven: str | None = None,
    remedies: bool = True,
    progress: "Progress | None" = None,
) -> "Plan":
    """Plan a trip: days, forecast, margins, what helps where they are thin.

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    from_place : str, optional
        Plan what is left from this place on, its key or name; `at` is needed too.
    along : str, optional
        The same from a point along a leg, 'FROM>TO:12.5 mi'.
    at : str, optional
        Local time to set off there, '2027-07-11 10:00'.
    readings : sequence of str
        What gauges read then, 'coolant=195 degF'.
    driven : str, optional
        Driving done that day before, '5.5 h'; without it, what the plan has.
    remedies : bool
        Try remedies on every day with a margin that is not ample; takes seconds a day.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    Plan
        DataFrames `legs`, `days`, `margins`, `track` and `remedies` in SI; `write` makes the files.

    Raises
    ------
    TripError
        Carries every problem of the folder's files.
    NoRouteError
        If no open road or no division into days keeps the trip's rules.
    PlannerError
        If what was said of place, time or gauges cannot be used.

    Examples
    --------
    >>> p = plan(example("minimal"))
    >>> p.margins.loc[p.margins.margin_k.idxmin(), ["fluid", "level"]].tolist()
    ['coolant', 'ample']
    >>> bool((p.track.coolant_upper_k >= p.track.coolant_k).all())
    True
    """
    from planner.forecast.assemble import make_forecast, quiet
    from planner.output.report import make_report
    from planner.output.results import Plan
    from planner.replan.request import read_request

    request = read_request(from_place=from_place, along=along, at=at, readings=readings, driven=driven)
    step = progress or quiet
    if request is None:
        outlook = _forecast(trip, step)
    else:
        from planner.replan.remaining import rest_of

        rest, start = rest_of(_inputs(trip, step), request)
        outlook = make_forecast(rest, start=start, progress=step)
    return Plan(make_report(outlook, remedies=remedies, today=date.today(), progress=step))


def check(trip: "Trip", *, rank: bool = False, progress: "Progress | None" = None) -> "CheckResult":
    """Check a trip's files, and list what the forecast rests on.

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    rank : bool
        Sort what is assumed of the car by how far it moves the smallest margin; runs the forecast.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    CheckResult
        DataFrames `assumed` and `ranked`; `lines` are sentences for people.

    Raises
    ------
    TripError
        Carries every problem of the folder's files.
    NoRouteError
        If no open road leads from start to finish.

    Examples
    --------
    >>> check(example("minimal")).assumed.columns.tolist()
    ['key', 'value', 'source']
    """
    from dataclasses import replace

    from planner.analysis.weighed import doubts_of
    from planner.forecast.assemble import find_legs, quiet, taught
    from planner.output.results import CheckResult

    step = progress or quiet
    inputs = taught(_inputs(trip, step), progress=step)
    legs, closed = find_legs(inputs)
    found = CheckResult(inputs=inputs, legs=legs, closed=closed, doubts=doubts_of(inputs, legs, today=date.today()))
    if not rank:
        return found
    from planner.analysis.sensitivity import rank_assumptions

    return replace(found, effects=rank_assumptions(_forecast(inputs, step), progress=step))


def fetch_weather(trip: "Trip", *, offline: bool = False, progress: "Progress | None" = None) -> "WeatherReport":
    """Fetch the forecast for every place of the route, to be used by later plans; sends rounded coordinates only.

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    offline : bool
        Never touch the network; show what was fetched before.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    WeatherReport
        A row for every place, sentences, credits of the services.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.

    Examples
    --------
    >>> fetch_weather(example("minimal"), offline=True).rows[0].place
    'needles'
    """
    from datetime import UTC, datetime

    from planner.forecast.assemble import find_legs, quiet
    from planner.weather.command import run

    step = progress or quiet
    inputs = _inputs(trip, step)
    legs, _ = find_legs(inputs)
    return run(inputs.trip, legs, offline=offline, now=datetime.now(UTC), progress=step)


def whatif(trip: "Trip", settings: Sequence[str] = (), *, progress: "Progress | None" = None) -> "WhatIfResult":
    """Try changes and parts on the whole trip, under the draws of the plan.

    Parameters
    ----------
    trip : path, Inputs or Plan
        The trip folder, what `read` made of it, or a plan, whose forecast is then used.
    settings : sequence of str
        Changes of your own, 'cooling.cap_pressure=16 psi'; without any, those an owner asks about.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    WhatIfResult
        DataFrame `changes`, a row for every change and fluid.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.
    PlannerError
        If a setting names no value of a car, or cannot be read.

    Examples
    --------
    >>> tried = whatif(example("minimal"), ["body.mass=2600 kg"]).changes
    >>> bool((tried.margin_gained_k < 0.0).all())
    True
    """
    from planner.analysis.whatif import run_variants
    from planner.forecast.assemble import quiet
    from planner.output.results import WhatIfResult

    step = progress or quiet
    outlook = _forecast(trip, step)
    return WhatIfResult(outlook=outlook, outcomes=run_variants(outlook, tuple(settings), progress=step))


def session(trip: "Trip", *, progress: "Progress | None" = None) -> "SessionResult":
    """Laps on a closed course or runs up a closed hill: how many before a part is thin, how long to cool.

    Parameters
    ----------
    trip : path or Inputs
        A trip folder with session.toml, or what `read` made of it.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    SessionResult
        DataFrames `hours` and `sessions`.

    Raises
    ------
    TripError
        If session.toml is missing, or anything in the folder is wrong.

    Examples
    --------
    >>> session(example("alps")).hours["first_thin"].iloc[0]  # doctest: +SKIP
    'differential'
    """
    from planner.files.sessionfile import read_session
    from planner.forecast.assemble import quiet
    from planner.laps.run import run_session
    from planner.laps.stints import make_case
    from planner.output.results import SessionResult

    step = progress or quiet
    inputs = _inputs(trip, step)
    setup = read_session(inputs.trip.folder, inputs.trip)
    return SessionResult(trip=inputs.trip, outcome=run_session(make_case(setup, inputs), progress=step))


def fit(
    trip: "Trip",
    logs: "Sequence[Log]",
    *,
    learn: Sequence[str] = (),
    ambient_k: float | None = None,
    on: date | None = None,
    progress: "Progress | None" = None,
) -> "FitResult":
    """Learn the car from logs of its drives.

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    logs : sequence of path
        Logs with a confirmed mapping.
    learn : sequence of str
        What to learn; without it all that the logs' channels can teach.
    ambient_k : float, optional
        Outside air for logs that have none. [K]
    on : date, optional
        Date of the fit; default today.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    FitResult
        DataFrames `unknowns` and `margins`; `write` makes a new vehicle file.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.
    PlannerError
        If a log cannot be read, or teaches nothing.

    Examples
    --------
    >>> trip = example("wilmington-astoria")
    >>> fit(trip, sorted((trip / "logs").glob("*.csv"))).unknowns.name.tolist()  # doctest: +SKIP
    ['airflow', 'radiator']
    """
    from planner.files.logs import open_log

    read_logs = [open_log(Path(path)) for path in logs]  # before the model takes its memory
    from planner.forecast.assemble import find_route, quiet
    from planner.logs import fit as learning
    from planner.logs.lying import refuse_liars
    from planner.output.results import FitResult

    step = progress or quiet
    inputs = _inputs(trip, step)
    route, car = find_route(inputs), inputs.car
    driven = learning.place_drives(route, read_logs, car.vehicle, air_k=ambient_k)
    refuse_liars(route.trip, route.legs, car.vehicle, driven)
    day = date.today() if on is None else on
    learned = learning.learn(inputs.trip, car, driven, on=day, names=tuple(learn), progress=step)
    return FitResult(
        learned=learned,
        on=day,
        before=learning.trip_margins(route, car.vehicle, car.spread),
        after=learning.trip_margins(route, learned.found.vehicle, learned.posterior),
    )


def fit_drive(
    trip: "Trip",
    drive: "Log",
    notes: "Log",
    *,
    ambient_k: float | None = None,
    on: date | None = None,
    progress: "Progress | None" = None,
) -> "NotedResult":
    """Learn the car from a drive without a logger: a phone's track with times, and gauges noted at a few of them.

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    drive : path
        A GPX track with times and heights.
    notes : path
        A table like readings.csv, each row with a time.
    ambient_k : float, optional
        Outside air where the notes have none. [K]
    on : date, optional
        Date of the fit; default today.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    NotedResult
        `sentences` for people; `write` makes a new vehicle file.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.
    PlannerError
        If the track has no times or heights, or no note lies on it.

    Examples
    --------
    >>> fit_drive(example("minimal"), "drive.gpx", "notes.csv").sentences  # doctest: +SKIP
    """
    from planner.forecast.assemble import find_route, quiet
    from planner.logs.noted_drive import learn_noted
    from planner.output.noted import NotedResult

    step = progress or quiet
    inputs = _inputs(trip, step)
    day = date.today() if on is None else on
    step("learning from the track and the notes")
    found = learn_noted(find_route(inputs), inputs.car, Path(drive), Path(notes), air_k=ambient_k, on=day)
    return NotedResult(learned=found, on=day)


def review(
    trip: "Trip", logs: "Sequence[Log]", *, ambient_k: float | None = None, progress: "Progress | None" = None
) -> "ReviewResult":
    """Explain logs against the forecast: is it the day, or the car?

    Parameters
    ----------
    trip : path or Inputs
        The trip folder, or what `read` made of it.
    logs : sequence of path
        Logs with a confirmed mapping; from three days on trends are looked for.
    ambient_k : float, optional
        Outside air for logs that have none. [K]
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    ReviewResult
        DataFrames `peaks`, `causes` and `drifts`.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.
    PlannerError
        If a log cannot be read, or has no fluid temperature.

    Examples
    --------
    >>> trip = example("wilmington-astoria")
    >>> review(trip, sorted((trip / "logs").glob("*.csv"))).peaks.planned_k.round(1)  # doctest: +SKIP
    """
    from planner.files.logs import open_log

    read_logs = [open_log(Path(path)) for path in logs]  # before the model takes its memory
    from planner.forecast.assemble import find_route, quiet, taught
    from planner.forecast.run import as_described
    from planner.logs import review as reviewing
    from planner.logs.drift import drifts
    from planner.logs.fit import place_drives
    from planner.output.results import ReviewResult

    step = progress or quiet
    inputs = taught(_inputs(trip, step), progress=step)
    route, car = find_route(inputs), inputs.car
    driven = place_drives(route, read_logs, car.vehicle, air_k=ambient_k)
    nominal, found = as_described(route, car), []
    for one in driven:
        step(f"trying causes on {one.log.name}, one at a time")
        found.append(reviewing.review(route, car, nominal, one))
    return ReviewResult(reviews=tuple(found), trends=drifts(car, driven))


def alarms(trip: "Trip", reference: "Reference | None" = None, *, progress: "Progress | None" = None) -> "AlarmsResult":
    """What to set the gauges' alarms by, for every leg and the whole trip.

    Parameters
    ----------
    trip : path, Inputs or Plan
        The trip folder, what `read` made of it, or a plan, whose forecast is then used.
    reference : Reference, optional
        The owner's readings of oil pressure on a sound day.
    progress : callable, optional
        Receives a sentence at each step.

    Returns
    -------
    AlarmsResult
        DataFrame `fluids`, a row for every card and fluid; `cards` have the pressures too.

    Raises
    ------
    TripError, NoRouteError
        As `plan`.

    Examples
    --------
    >>> alarms(example("minimal")).fluids.query("leg.isna()").fluid.tolist()
    ['coolant', 'engine_oil', 'transmission', 'differential']
    """
    from planner.analysis.alarms import Reference, alarm_cards
    from planner.forecast.assemble import quiet
    from planner.output.results import AlarmsResult

    outlook, known = _forecast(trip, progress or quiet), reference or Reference()
    return AlarmsResult(outlook=outlook, reference=known, cards=alarm_cards(outlook, known))


def _inputs(trip: "Trip", progress: "Progress") -> "Inputs":
    """What a folder says, read unless it was."""
    from planner.forecast.assemble import Inputs, read_inputs

    if isinstance(trip, (str, PathLike)):
        return read_inputs(Path(trip), progress=progress)
    if isinstance(trip, Inputs):
        return trip
    outlook = trip.report.outlook
    return Inputs(trip=outlook.trip, car=outlook.car, known=outlook.known, lesson=outlook.lesson)


def _forecast(trip: "Trip", progress: "Progress") -> "Forecast":
    """Forecast of a trip; a plan's own where one is given."""
    from planner.forecast.assemble import Inputs, make_forecast

    if isinstance(trip, (str, PathLike, Inputs)):
        return make_forecast(_inputs(trip, progress), progress=progress)
    return trip.report.outlook
