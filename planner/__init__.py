"""Forecast an older car's fluid temperatures along a planned drive: the interface for Python, and for the command line.

Every function takes a trip: the path of its folder, or what `read` made of one. Results give pandas DataFrames in SI
units, the unit at the end of each column's name (`peak_k`, `distance_m`), and times as zoned timestamps; `to_dict`
gives plain data. `progress` receives a sentence at each step.

Errors: `PlannerError`, an argument cannot be used, and derived from it `TripError`, with every problem of the folder's
files; `NoRouteError`, no road or division into days keeps the trip's rules; `OutputError`, a file cannot be written.

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
    from planner.analysis.sensitivity import Effect
    from planner.forecast.assemble import Inputs
    from planner.forecast.run import Forecast
    from planner.newtrip.draft import Draft
    from planner.output import results
    from planner.output.noted import NotedResult
    from planner.weather.command import WeatherReport

    Trip = str | PathLike[str] | Inputs | results.Plan
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
    """Return the version."""
    if name == "__version__":
        from importlib.metadata import version

        return version("grademargin")
    message = f"module 'planner' has no attribute {name!r}"
    raise AttributeError(message)


def examples() -> tuple[str, ...]:
    """Names of the worked examples, for `example` and `new`.

    Examples
    --------
    >>> examples()
    ('alps', 'benchmark', 'minimal', 'wilmington-astoria')
    """
    from planner.files.folder import examples

    return examples()


def example(name: str) -> Path:
    """Folder of a worked example, to read; `new` makes a copy to edit.

    Parameters
    ----------
    name : str
        One of `examples()`.

    Examples
    --------
    >>> example("alps").name
    'alps'
    """
    from planner.files.folder import example_folder

    return example_folder(name)


def new(folder: "Log", example: str = "minimal", *, spreadsheet: bool = False) -> tuple[str, ...]:
    """Make a new trip folder from a worked example; returns the names of the files written.

    Parameters
    ----------
    folder : path
        Must be new or empty.
    example : str
        One of `examples()`.
    spreadsheet : bool
        Write the tables to trip.xlsx.

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
    """Make a new trip folder from a track of the road, without the network.

    Places, legs, profiles and usual temperatures are filled in; `assumed` of the result lists the assumptions.

    Parameters
    ----------
    folder, spreadsheet
        As for `new`.
    tracks : sequence of path
        GPX, KML or GeoJSON files of the road, in driving order.
    start : str, optional
        Local departure time, '2027-08-06 07:00'; default: 15 July 2027 at 08:00.
    base : str, optional
        Vehicle class; default: a six-cylinder estate.
    driving : str, optional
        Maximum driving per day, '6h'; default: 8 hours.

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
    return new_from_track(Path(folder), paths, start=start, base=base, driving=driving, spreadsheet=spreadsheet)[1]


def read(folder: "Log", *, changes: Mapping[str, str] | None = None, progress: "Progress | None" = None) -> "Inputs":
    """Read a trip folder: the trip, the car, and the weather that was entered or fetched earlier.

    Every other function takes the result in place of the folder.

    Parameters
    ----------
    folder, progress
        The trip folder; `progress` reports saved weather that cannot be used.
    changes : mapping of str to str, optional
        Values of the car to change, named and written as in vehicle.toml.

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
) -> "results.Plan":
    """Plan a trip: days, forecast, margins, and remedies where they are thin.

    The result has the DataFrames `legs`, `days`, `margins`, `track` and `remedies`; `write` makes the files.

    Parameters
    ----------
    trip, progress
        The trip's folder or what `read` made of it; a function that takes a sentence.
    from_place : str, optional
        Plan the rest of the trip from this place, its key or name; needs `at`.
    along : str, optional
        The same from a point along a leg, 'FROM>TO:12.5 mi'.
    at : str, optional
        Local departure time there, '2027-07-11 10:00'.
    readings : sequence of str
        Gauge readings at that time, 'coolant=195 degF'.
    driven : str, optional
        Driving done earlier that day, '5.5 h'; default: as planned.
    remedies : bool
        Try remedies on every day without an ample margin; takes seconds per day.

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
    from planner.output.results import Plan, ahead_of_files
    from planner.replan.request import read_request

    request = read_request(from_place=from_place, along=along, at=at, readings=readings, driven=driven)
    step = progress or quiet
    if request is None:
        outlook = _forecast(trip, step)
    else:
        from planner.replan.remaining import rest_of

        rest, start = rest_of(_inputs(trip, step), request)
        outlook = make_forecast(rest, start=start, progress=step)
    return Plan(make_report(outlook, remedies=remedies, today=date.today(), progress=step, ahead=ahead_of_files))


def check(trip: "Trip", *, rank: bool = False, progress: "Progress | None" = None) -> "results.CheckResult":
    """Check a trip's files, and list the assumptions of the forecast: DataFrames `assumed` and `ranked`, `lines`.

    Parameters
    ----------
    trip, progress
        As for `plan`.
    rank : bool
        Rank the assumed values of the car by their effect on the smallest margin; runs the forecast.

    Examples
    --------
    >>> check(example("minimal")).assumed.columns.tolist()
    ['key', 'value', 'source']
    """
    from planner.analysis.weighed import doubts_of
    from planner.forecast.assemble import find_legs, quiet, taught
    from planner.output.results import CheckResult

    step = progress or quiet
    inputs = taught(_inputs(trip, step), progress=step)
    legs, closed = find_legs(inputs)
    effects: tuple[Effect, ...] = ()
    if rank:
        from planner.analysis.sensitivity import rank_assumptions

        effects = rank_assumptions(_forecast(inputs, step), progress=step)
    doubts = doubts_of(inputs, legs, today=date.today())
    return CheckResult(inputs=inputs, legs=legs, closed=closed, doubts=doubts, effects=effects)


def fetch_weather(trip: "Trip", *, offline: bool = False, progress: "Progress | None" = None) -> "WeatherReport":
    """Fetch the forecast for every place of the route, for later plans; only rounded coordinates are sent.

    Parameters
    ----------
    trip, progress
        As for `plan`.
    offline : bool
        Do not use the network; show what was fetched earlier.

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


def whatif(trip: "Trip", settings: Sequence[str] = (), *, progress: "Progress | None" = None) -> "results.WhatIfResult":
    """Try changes and parts on the whole trip, with the draws of the plan: DataFrame `changes`.

    Parameters
    ----------
    trip, progress
        As for `plan`; of a plan, its forecast is used.
    settings : sequence of str
        Your own changes, 'cooling.cap_pressure=16 psi'; default: common ones.

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


def session(trip: "Trip", *, progress: "Progress | None" = None) -> "results.SessionResult":
    """Laps on a closed course or runs up a closed hill: number until a margin is thin, and time to cool.

    The result has the DataFrames `hours` and `sessions`.

    Parameters
    ----------
    trip, progress
        As for `plan`; the folder needs session.toml.
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
) -> "results.FitResult":
    """Fit the car to logs of its drives: DataFrames `unknowns` and `margins`; `write` makes a new vehicle file.

    Parameters
    ----------
    trip, progress
        As for `plan`.
    logs : sequence of path
        Logs with a confirmed mapping.
    learn : sequence of str
        Parameters to fit; default: all that the channels of the logs can determine.
    ambient_k : float, optional
        Outside air temperature for logs without it. [K]
    on : date, optional
        Date of the fit; default today.
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
    """Fit the car to a drive without a logger: a phone's track with times, and gauge readings noted on it.

    Parameters
    ----------
    trip, ambient_k, on, progress
        As for `fit`.
    drive : path
        A GPX track with times and heights.
    notes : path
        A table like readings.csv, each row with a time.
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
) -> "results.ReviewResult":
    """Compare logs with the forecast: was it the day or the car? DataFrames `peaks`, `causes` and `drifts`.

    Parameters
    ----------
    trip, logs, ambient_k, progress
        As for `fit`; logs of three days or more also show trends.
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


def alarms(
    trip: "Trip", reference: "Reference | None" = None, *, progress: "Progress | None" = None
) -> "results.AlarmsResult":
    """Alarm settings of the gauges, for every leg and the whole trip: DataFrame `fluids`; `cards` with pressures.

    Parameters
    ----------
    trip, progress
        As for `plan`; of a plan, its forecast is used.
    reference : Reference, optional
        The owner's oil pressure readings of the healthy engine.

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
    """Inputs of a trip."""
    from planner.forecast.assemble import Inputs, read_inputs

    if isinstance(trip, (str, PathLike)):
        return read_inputs(Path(trip), progress=progress)
    if isinstance(trip, Inputs):
        return trip
    outlook = trip.report.outlook
    return Inputs(trip=outlook.trip, car=outlook.car, known=outlook.known, lesson=outlook.lesson)


def _forecast(trip: "Trip", progress: "Progress") -> "Forecast":
    """Forecast of a trip; of a plan, its own."""
    from planner.forecast.assemble import Inputs, make_forecast

    if isinstance(trip, (str, PathLike, Inputs)):
        return make_forecast(_inputs(trip, progress), progress=progress)
    return trip.report.outlook
