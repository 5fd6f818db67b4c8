"""The command line: commands on a trip, and how a run ends. Heavy imports wait until a command needs them."""

import signal
import sys
from collections.abc import Callable, Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from planner.cli import logs, streams
from planner.cli.console import BAD_INPUT, DONE, EXCEEDED, FAILED, JSON, PATH, TRIP, Streams
from planner.model.errors import OutputError, PlannerError, TripError

if TYPE_CHECKING:
    from planner.analysis.sensitivity import Effect
    from planner.forecast.run import Forecast
    from planner.model.trip import Trip
    from planner.output.report import Report
    from planner.replan.request import Request
    from thermal.vehicle_file import VehicleFile


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="grademargin")
def cli() -> None:
    """Forecast an older car's fluid temperatures along a drive, before driving it.

    A trip is a folder of plain files. Start with: grademargin new DIR
    """


@cli.command()
@click.argument("folder", type=PATH, metavar="DIR")
@click.option("--example", default="minimal", show_default=True, help="Which worked example to copy.")
@click.option("--spreadsheet", is_flag=True, help="Put the tables into trip.xlsx, to be typed in a spreadsheet.")
@JSON
@click.pass_obj
def new(io: Streams, folder: Path, example: str, spreadsheet: bool, as_json: bool) -> int:
    """Make a new trip folder from a worked example.

    Example: grademargin new july --example wilmington-astoria
    """
    from planner.files.folder import classes, examples, new_folder

    if spreadsheet:
        from planner.files.spreadsheet import new_spreadsheet

        files = new_spreadsheet(folder, example)
    else:
        files = new_folder(folder, example)
    if as_json:
        io.json({"folder": str(folder), "files": list(files), "examples": examples(), "classes": classes()})
        return DONE
    io.say(f"{folder}: {len(files)} files of the example '{example}'. Edit them, then: grademargin plan {folder}")
    io.say(f"Other examples: {', '.join(e for e in examples() if e != example)}.")
    io.say(f"Vehicle classes: {', '.join(classes())}.")
    return DONE


@cli.command()
@TRIP
@click.option("--rank", is_flag=True, help="Also sort what is assumed of the car by what knowing it is worth.")
@JSON
@click.pass_obj
def check(io: Streams, folder: Path, rank: bool, as_json: bool) -> int:
    """Check a trip's files and list what the forecast rests on.

    With --rank, assumed values are sorted by how far the smallest margin moves when one moves by its likely error: know
    those first.

    Example: grademargin check july --rank
    """
    from planner.files.folder import open_folder
    from planner.output.check import check_dict, check_lines

    trip, car = open_folder(folder)
    effects = _effects(io, trip, car) if rank else ()
    if as_json:
        io.json(check_dict(trip, car, effects))
        return DONE
    for line in check_lines(trip, car):
        io.say(line)
    if rank:
        from planner.output import terminal

        io.show(*terminal.effects(effects, trip.units))
    else:
        io.say(f"Which of them are worth knowing: grademargin check {folder} --rank")
    return DONE


def _effects(io: Streams, trip: "Trip", car: "VehicleFile") -> "Sequence[Effect]":
    """Rank what is assumed by its effect on the smallest margin."""
    from planner.analysis.sensitivity import rank_assumptions

    return rank_assumptions(_outlook(io, trip, car), tell=io.tell)


@cli.command()
@TRIP
@JSON
@click.option("--csv", "as_csv", is_flag=True, help="Print the table as CSV, every column.")
@click.pass_obj
def forecast(io: Streams, folder: Path, as_json: bool, as_csv: bool) -> int:
    """Forecast every leg and print the table alone.

    Example: grademargin forecast july --csv > july.csv
    """
    if as_json and as_csv:
        message = "--json and --csv cannot be given together; choose one"
        raise PlannerError(message)
    from planner.output import export, terminal

    report = _report(io, folder, remedies=False)
    if as_json:
        io.json(export.plan_dict(report))
    elif as_csv:
        io.data(export.forecast_csv(report))
    else:
        io.show(terminal.legs(report))
    return _verdict(report)


@cli.command()
@TRIP
@click.option("--out", "out_folder", type=PATH, help="Where to write; default is out/ in the trip folder.")
@click.option("--from", "from_place", help="Plan what is left, from this place on: its key or name.")
@click.option("--along", help="The same from a point along a leg: 'FROM>TO:12.5 mi'.")
@click.option("--at", help="Local time to set off there: '2027-07-11 10:00'.")
@click.option("--now", "readings", multiple=True, help="What a gauge reads then: 'coolant=195 degF'; may be repeated.")
@click.option("--driven", help="Driving done that day before then: '5.5 h'; without it, what the plan has.")
@JSON
@click.pass_obj
def plan(io: Streams, /, folder: Path, out_folder: Path | None, as_json: bool, **asked: Any) -> int:
    """Plan the trip: days, forecast, thin places, map. The main job.

    Writes trip.html, forecast.csv, plan.json, trip.gpx, trip.ics and trip.geojson. Exit code 1 says that a margin is
    exceeded and that nothing tried helps. On the way, --from and --at plan what is left and say what changed since the
    last plan; no network is needed.

    Example: grademargin plan july --from raton --at "2027-07-11 10:00" --now "coolant=195 degF"
    """
    from maps import basemap, page
    from planner.model import paths
    from planner.output import export, mapscene, terminal
    from planner.output.changes import changes, last_plan
    from planner.output.icsbefore import last_calendar
    from planner.output.write import to_json, try_out, write_files
    from planner.replan.request import read_request

    request = read_request(**asked)
    target = paths.results_folder(folder) if out_folder is None else out_folder
    report = _report(
        io, folder, remedies=True, request=request, ready=lambda: try_out(target, export.PLAN_FILES, trip=folder)
    )
    io.tell("drawing the map")
    scene = mapscene.make_scene(report)
    ground = basemap.load(paths.data_folder() / "basemap", scene.bounds(), scene.route())
    html = page.render(scene, basemap=ground)
    plan_json = to_json(export.plan_dict(report))
    earlier = last_calendar(target, folder / "out")
    files = {
        "trip.html": html,
        "forecast.csv": export.forecast_csv(report),
        "plan.json": plan_json,
        **export.exchange_files(report, earlier),
    }
    said = () if request is None else changes(last_plan(target) or last_plan(folder / "out"), report)
    write_files(target, files)
    if as_json:
        io.data(plan_json)
    else:
        if request is not None:
            io.say(report.outlook.trip.assumptions[0])
        io.show(*terminal.plan(report))
        for line in said:
            io.say(f"Changed: {line}")
        io.say(f"Written to {target}: {', '.join(files)}")
    return _verdict(report)


@cli.command()
@TRIP
@click.option("--set", "settings", multiple=True, help="A change of your own: section.key=value as in vehicle.toml.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the result as a picture.")
@JSON
@click.pass_obj
def whatif(io: Streams, folder: Path, settings: tuple[str, ...], svg: Path | None, as_json: bool) -> int:
    """Try changes and parts on the whole trip, ranked by the margin they buy.

    Names those that buy nothing. Every line is the whole trip driven again under the same draws.

    Example: grademargin whatif july --set "cooling.cap_pressure=16 psi"
    """
    from planner.analysis.whatif import run_variants
    from planner.files.folder import open_folder
    from planner.output import terminal
    from planner.output.whatif import tornado_svg, whatif_dict
    from planner.output.write import try_out, write_files

    if svg is not None and svg.suffix.lower() != ".svg":
        message = f"--svg {svg}: the picture's name ends in .svg, e.g. whatif.svg; nothing else is written over"
        raise PlannerError(message)
    trip, car = open_folder(folder)
    if svg is not None:
        try_out(svg.parent, (svg.name,))
    outlook = _outlook(io, trip, car)
    outcomes = run_variants(outlook, settings, tell=io.tell)
    if svg is not None:
        write_files(svg.parent, {svg.name: tornado_svg(outlook, outcomes)})
    if as_json:
        io.json(whatif_dict(outlook, outcomes))
    else:
        io.show(*terminal.whatif(outlook, outcomes))
    return DONE


@cli.command()
@TRIP
@click.option("--offline", is_flag=True, help="Never touch the network; show what was fetched before, and its age.")
@click.option("--elevations", is_flag=True, help="Check the places' elevations against two services instead.")
@JSON
@click.pass_obj
def weather(io: Streams, folder: Path, offline: bool, elevations: bool, as_json: bool) -> int:
    """Fetch the forecast for every place of the route, and show what is fresh, stale or missing.

    Only rounded coordinates are sent. Later plans use what was fetched, also without signal.

    Example: grademargin weather july
    """
    from datetime import UTC, datetime

    from planner.files.folder import open_folder
    from planner.output import weather as told
    from planner.route.graph import choose_route
    from planner.weather import heights
    from planner.weather.command import run
    from planner.weather.normals import read_normals

    trip, _ = open_folder(folder)
    now = datetime.now(UTC)
    if elevations:
        checks = heights.check_places(trip, offline=offline, now=now, tell=io.tell)
        answered = any(check.first_m is not None for check in checks)
        data, lines = told.elevation_dict(checks), told.elevation_lines(checks, trip)
    else:
        table = read_normals(trip.folder / trip.normals, root=trip.folder) if trip.normals else None
        found = run(trip, choose_route(trip), offline=offline, now=now, normals=table, tell=io.tell)
        answered = not found.failed
        data, lines = told.weather_dict(found), told.weather_lines(found)
    if as_json:
        io.json(data)
    else:
        for line in lines:
            io.say(line)
    return DONE if answered else FAILED


@cli.command()
@TRIP
@JSON
@click.pass_obj
def session(io: Streams, folder: Path, as_json: bool) -> int:
    """Closed-course laps or hill runs: how many before a fluid or the brakes are thin, how long to cool.

    Reads session.toml in the trip folder. Exit code 1 says that a session as planned exceeds a limit.

    Example: grademargin session alps
    """
    from planner.files.folder import open_folder
    from planner.files.sessionfile import read_session
    from planner.laps import show
    from planner.laps.run import run_session
    from planner.laps.stints import make_case

    trip, car = open_folder(folder)
    outcome = run_session(make_case(read_session(folder, trip), trip, car.vehicle, learnt=car.spread), tell=io.tell)
    if as_json:
        io.json(show.session_dict(outcome))
    else:
        io.show(*show.tables(outcome, trip))
    return EXCEEDED if any(one.level == "exceeded" for one in outcome.planned) else DONE


def _report(
    io: Streams,
    folder: Path,
    *,
    remedies: bool,
    request: "Request | None" = None,
    ready: Callable[[], None] = lambda: None,
) -> "Report":
    """Read, make sure of what comes after, forecast, find margins."""
    from planner.files.folder import open_folder
    from planner.output.check import size

    trip, car = open_folder(folder)
    ready()
    io.tell(f"read {size(trip)}")
    outlook = _outlook(io, trip, car, request)
    from planner.output.report import make_report

    return make_report(outlook, remedies=remedies, tell=io.tell)


def _with_session(trip: "Trip") -> "Trip":
    """Let what a session leaves due fall due on the trip, where the folder holds one."""
    if not (trip.folder / "session.toml").exists():
        return trip
    from planner.files.sessionfile import read_session
    from planner.laps.show import after_session

    return after_session(trip, read_session(trip.folder, trip))


def _outlook(io: Streams, trip: "Trip", car: "VehicleFile", request: "Request | None" = None) -> "Forecast":
    """Forecast a trip that was read, or what is left of it; the weather fetched for the whole serves both."""
    from planner.forecast.run import forecast as run
    from thermal.kernel import is_compiled

    if not is_compiled():
        io.tell("first run: the thermal model is being compiled for this processor, once, for about 10 s")
    from planner.weather.gather import gather

    known = gather(trip, normals=trip.normals, tell=io.tell)
    if request is None:
        return run(_with_session(trip), car, known=known, tell=io.tell)
    from planner.replan.remaining import replan
    from planner.replan.start_temps import begin

    rest = replan(trip, start_at=request.start_at, at=request.at, driven_s=request.driven_s)
    rest, start = begin(trip, rest, car, request, known)
    return run(_with_session(rest), car, known=known, begin=start, tell=io.tell)


def _verdict(report: "Report") -> int:
    """Exit code of a finished forecast: a limit passed on a day that no remedy helps."""
    helped = {day.day for day in report.remedies if day.working}
    days = report.outlook.timeline.days
    open_days = [n for n in range(len(days)) if n not in helped]
    legs = {leg for n in open_days for leg in range(days[n].first, days[n].last + 1)}
    return EXCEEDED if any(m.level == "exceeded" and m.leg in legs for m in report.margins) else DONE


for _command in (logs.log, logs.fit, logs.review, logs.alarms):
    cli.add_command(_command)


def main(argv: Sequence[str] | None = None, out: TextIO | None = None, err: TextIO | None = None) -> int:
    """Run one command."""
    io = Streams(sys.stdout if out is None else out, sys.stderr if err is None else err)
    try:
        return int(
            cli.main(list(argv) if argv is not None else None, "grademargin", standalone_mode=False, obj=io) or 0
        )
    except click.ClickException as exc:
        shown = StringIO()
        exc.show(file=shown)
        io.complain(shown.getvalue().rstrip("\n"))
        return BAD_INPUT
    except TripError as exc:
        for problem in exc.problems:
            io.complain(f"grademargin: {problem}")
        return BAD_INPUT
    except PlannerError as exc:
        io.complain(f"grademargin: {exc}")
        return FAILED if isinstance(exc, OutputError) else BAD_INPUT
    except OSError as exc:
        io.drop()
        where = "" if exc.filename is None else f"{exc.filename}: "
        io.complain(f"grademargin: {where}{exc.strerror or exc}; see to that and try again")
        return FAILED
    except (click.Abort, KeyboardInterrupt):
        return _stopped(io, signal.SIGINT)
    except streams.Stopped as exc:
        return _stopped(io, exc.number)
    except SystemExit:  # the help's reader has seen enough
        return DONE


def _stopped(io: Streams, number: int) -> int:
    """Say so; the exit code is the one a shell gives."""
    io.complain("grademargin: stopped; no file is half written")
    return 128 + number
