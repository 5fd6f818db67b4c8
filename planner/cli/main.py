"""The command line. Heavy imports are deferred until a command needs them."""

import signal
import sys
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from planner.cli import crash, desk, logs, streams
from planner.cli.console import BAD_INPUT, DONE, EXCEEDED, FAILED, JSON, PATH, TRIP, NamedPath, hint_on
from planner.cli.streams import Streams
from planner.model.errors import OutputError, PlannerError, TripError

if TYPE_CHECKING:
    from planner.forecast.assemble import Inputs
    from planner.output.results import CheckResult
    from thermal.bands import Cell


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="grademargin")
def cli() -> None:
    """Forecast an older car's fluid temperatures along a drive, before driving it.

    A trip is a folder of plain files. Start with: grademargin new DIR
    """


@cli.command()
@click.argument("folder", type=PATH, metavar="DIR")
@click.option("--example", help="Example to copy; default: minimal.")
@click.option(
    "--track", "tracks", multiple=True, type=PATH, help="Track of the road, .gpx, .kml or .geojson; may be repeated."
)
@click.option("--start", help="With --track: local departure time, '2027-08-06 07:00'.")
@click.option("--base", help="With --track: vehicle class.")
@click.option("--nights", help="With --track: maximum driving per day, '6h'.")
@click.option("--steep", is_flag=True, help="With --track: keep grades over 15 %, up to 35 %; else noise or a tunnel.")
@click.option(
    "--spreadsheet", "--xlsx", is_flag=True, help="Write the tables to trip.xlsx, for editing in a spreadsheet."
)
@JSON
@click.pass_obj
def new(io: Streams, /, folder: Path, example: str | None, spreadsheet: bool, as_json: bool, **road: Any) -> int:
    """Make a new trip folder from a worked example, or from a track of the road.

    From a track, places, legs, elevations, distances and profiles are filled in. The road is split at named points,
    towns and the tops, feet and changes of grades; usual temperatures come from station normals. No network is used.
    Assumptions are listed.

    Example: grademargin new july --track route.gpx --start "2027-08-06 07:00" --nights 6h
    """
    import planner
    from planner.files.folder import class_lines, classes, examples

    if road["tracks"]:
        return _new_from_track(io, folder, spreadsheet=spreadsheet, as_json=as_json, example=example, **road)
    given = [f"--{name}" for name in ("start", "base", "nights", "steep") if road[name]]
    if given:
        message = f"{', '.join(given)}: only with --track"
        raise PlannerError(message)
    example = example or "minimal"
    files = planner.new(folder, example, spreadsheet=spreadsheet)
    if as_json:
        io.json({"folder": str(folder), "files": list(files), "examples": examples(), "classes": classes()})
        return DONE
    from planner.model.display import counted

    made = f"{counted(len(files), 'file')} of the example '{example}'"
    io.say(f"{folder}: {made}. Edit, then: grademargin plan {folder}")
    io.say(f"Other examples: {', '.join(e for e in examples() if e != example)}.")
    io.say("Vehicle classes; set 'base' in vehicle.toml to the one nearest your car:")
    for name, about in class_lines():
        io.say(f"  {name}: {about}")
    return DONE


def _new_from_track(
    io: Streams,
    folder: Path,
    *,
    tracks: Sequence[Path],
    example: str | None,
    spreadsheet: bool,
    as_json: bool,
    **asked: Any,
) -> int:
    from planner.newtrip.make import new_from_track
    from planner.newtrip.told import draft_dict, draft_lines

    if example is not None:
        message = "--example and --track cannot be given together; choose one"
        raise PlannerError(message)
    files, draft = new_from_track(
        folder,
        tracks,
        start=asked["start"],
        base=asked["base"],
        driving=asked["nights"],
        steep=asked["steep"],
        spreadsheet=spreadsheet,
    )
    written = f"Written to {folder}: {', '.join(files)}. Check them, then: grademargin plan {folder}"
    data = {"folder": str(folder), "files": list(files), **draft_dict(draft)}
    io.result(data, (*draft_lines(draft), written), as_json=as_json)
    return DONE


@cli.command()
@TRIP
@click.option("--rank", is_flag=True, help="Also rank the assumed car data by their effect on the margins.")
@click.option(
    "--usual", "as_usual", is_flag=True, help="Also compare the car in standard driving states with the usual range."
)
@click.option("--try-out", is_flag=True, help="Also show which hour's drive near home improves the forecast most.")
@click.option("--fill", is_flag=True, help="Fill in places from the table of towns, into a new file places-filled.csv.")
@click.option("--in-place", is_flag=True, help="With --fill: write places.csv itself.")
@JSON
@click.pass_obj
def check(
    io: Streams,
    /,
    folder: Path,
    rank: bool,
    as_usual: bool,
    try_out: bool,
    fill: bool,
    in_place: bool,
    as_json: bool,
) -> int:
    """Check a trip's files, draw the profile, and list the assumptions of the forecast; writes out/check.html.

    With --rank, assumed values are ranked by the change of the smallest margin for their likely error: measure
    the first ones. With --usual, the car is simulated in cruise, on a long grade, at hot idle and so on, and each
    temperature is compared with the usual range. With --try-out, an hour near home is simulated, to show
    which gauge reading improves the forecast of thin margins most. With --fill, places.csv needs only names: position,
    elevation, usual high and low of towns are filled in.

    Example: grademargin check july --rank
    """
    if fill:
        return _fill(io, folder, in_place=in_place, as_json=as_json)
    if in_place:
        message = "--in-place: only with --fill"
        raise PlannerError(message)
    found = _checked(io, folder, rank=rank, as_json=as_json)
    cells: tuple[Cell, ...] = ()
    if as_usual:
        from planner.output.usual import usual, usual_dict, usual_table

        cells = usual(found.inputs.car)
    home = _try_out(io, folder, found) if try_out else ([], {})
    if as_json:
        more: dict[str, Any] = {"usual": usual_dict(cells)} if as_usual else {}
        io.json(found.to_dict() | more | home[1])
        return DONE
    for line in found.lines:
        io.say(line)
    _draw_road(io, folder, found)
    if rank:
        from planner.output import terminal

        io.show(*terminal.effects(found.effects, found.inputs.trip.units))
    if as_usual:
        io.show(*usual_table(cells, found.inputs.trip.units))
    for line in home[0]:
        io.say(line)
    if not rank and not try_out:
        io.say(f"To rank the assumed values by effect: grademargin check {folder} --rank")
    return DONE


def _checked(io: Streams, folder: Path, *, rank: bool, as_json: bool) -> "CheckResult":
    """Check a folder; with --json its problems go to stdout too."""
    import planner

    try:
        return planner.check(folder, rank=rank, progress=io.progress)
    except TripError as exc:
        if as_json:
            io.json({"problems": [problem.as_dict() for problem in exc.found]})
        raise


def _try_out(io: Streams, folder: Path, found: "CheckResult") -> tuple[list[str], dict[str, Any]]:
    """The most informative drive near home, as text and as data."""
    import planner
    from planner.analysis.tryout import find_worth
    from planner.output.tryout import worth_lines, worth_list

    outlook = planner.plan(found.inputs, remedies=False, progress=io.progress).report.outlook
    worth = find_worth(outlook, progress=io.progress)
    return worth_lines(outlook, worth, folder), {"try_out": worth_list(worth)}


@cli.command()
@TRIP
@JSON
@click.option("--csv", "as_csv", is_flag=True, help="Print the table as CSV with every column.")
@click.pass_obj
def forecast(io: Streams, folder: Path, as_json: bool, as_csv: bool) -> int:
    """Forecast every leg and print only the table.

    Example: grademargin forecast july --csv > july.csv
    """
    if as_json and as_csv:
        message = "--json and --csv cannot be given together; choose one"
        raise PlannerError(message)
    import planner

    made = planner.plan(_read(io, folder), remedies=False, progress=io.progress)
    if as_json:
        io.json(made.to_dict())
    elif as_csv:
        from planner.output import export

        io.data(export.forecast_csv(made.report))
    else:
        from planner.output import terminal

        io.show(terminal.legs(made.report))
    return EXCEEDED if made.exceeded else DONE


@cli.command()
@TRIP
@click.option("--out", "out_folder", type=PATH, help="Output folder; default: out/ in the trip folder.")
@click.option("--from", "from_place", help="Plan the rest of the trip from this place: its key or name.")
@click.option("--along", help="Plan the rest of the trip from a point along a leg: 'FROM>TO:12.5 mi'.")
@click.option("--at", help="With --from or --along: local departure time there: '2027-07-11 10:00'.")
@click.option(
    "--now", "readings", multiple=True, help="Gauge reading at that time: 'coolant=195 degF'; may be repeated."
)
@click.option("--driven", help="Driving done earlier that day: '5.5 h'; default: as planned.")
@click.option("--full", is_flag=True, help="Also print reasons, all remedies, weather, service and other roads.")
@JSON
@click.pass_obj
def plan(io: Streams, /, folder: Path, out_folder: Path | None, full: bool, as_json: bool, **asked: Any) -> int:
    """Plan the trip: days, forecast, thin margins, remedies, map. The main command.

    Writes trip.html, forecast.csv, plan.json, trip.gpx, trip.ics and trip.geojson. Exit code 1 means that a margin is
    exceeded and no remedy helps. During the trip, --from and --at plan the rest and report changes since the
    last plan; no network is used.

    Example: grademargin plan july --from raton --at "2027-07-11 10:00" --now "coolant=195 degF"
    """
    import planner
    from planner.model import paths
    from planner.model.lean import without
    from planner.output.write import PLAN_FILES, try_out, write_files
    from planner.replan.request import read_request

    rest = read_request(**asked) is not None  # said before the folder is read
    target = paths.results_folder(folder) if out_folder is None else out_folder
    trip = _read(io, folder)
    try_out(target, PLAN_FILES, trip=folder)
    with without("pandas"):  # what draws the page takes it if it is there: 0.3 s, 40 MB
        made = planner.plan(trip, **asked, progress=io.progress)
        io.progress("drawing the map")
        files = made.files(earlier=(target, folder / "out"))
    from planner.output import terminal  # what follows the forecast, and is slow to import
    from planner.output.changes import changes, last_plan

    said = changes(last_plan(target) or last_plan(folder / "out"), made.report) if rest else ()
    write_files(target, files)
    if as_json:
        io.data(files["plan.json"])
    else:
        if rest:
            io.say(made.report.outlook.trip.assumptions[0])
        io.show(*terminal.plan(made.report, full=full))
        for line in said:
            io.say(f"Changed: {line}")
        io.say(f"Written to {target}: {', '.join(files)}")
    return EXCEEDED if made.exceeded else DONE


@cli.command()
@TRIP
@click.option("--set", "settings", multiple=True, help="Try one change: section.key=value as in vehicle.toml.")
@click.option("--svg", type=NamedPath(path_type=Path, dir_okay=False), help="Also write the result as an SVG chart.")
@JSON
@click.pass_obj
def whatif(io: Streams, folder: Path, settings: tuple[str, ...], svg: Path | None, as_json: bool) -> int:
    """Try changes and parts on the whole trip, ranked by gain of margin.

    Changes without gain are listed too. Each change is a full simulation of the trip with the same draws.

    Example: grademargin whatif july --set "cooling.cap_pressure=16 psi"
    """
    import planner
    from planner.output import terminal
    from planner.output.whatif import tornado_svg
    from planner.output.write import try_out, write_files

    if svg is not None and svg.suffix.lower() != ".svg":
        message = f"--svg {svg}: the file name must end in .svg, e.g. whatif.svg"
        raise PlannerError(message)
    trip = planner.read(folder, progress=io.progress)
    if svg is not None:
        try_out(svg.parent, (svg.name,))
    tried = planner.whatif(trip, settings, progress=io.progress)
    if svg is not None:
        write_files(svg.parent, {svg.name: tornado_svg(tried.outlook, tried.outcomes)})
    if as_json:
        io.json(tried.to_dict())
    else:
        io.show(*terminal.whatif(tried.outlook, tried.outcomes))
    return DONE


@cli.command()
@TRIP
@click.option("--offline", is_flag=True, help="Do not use the network; show fetched weather and its age.")
@click.option("--elevations", is_flag=True, help="Check the places' elevations against two online services instead.")
@click.option(
    "--track", type=PATH, help="With --elevations: fill in missing elevations of this track, into a new file."
)
@JSON
@click.pass_obj
def weather(io: Streams, folder: Path, offline: bool, elevations: bool, track: Path | None, as_json: bool) -> int:
    """Fetch the forecast for every place of the route, and show what is fresh, stale or missing.

    Only rounded coordinates are sent. Later plans use the fetched weather, also offline. With --elevations --track
    road.gpx, missing elevations of the track are requested and written to road-heights.gpx.

    Example: grademargin weather july
    """
    import planner
    from planner.output import weather as words

    if track is not None:
        return _fill_heights(io, track, offline=offline, elevations=elevations, as_json=as_json)
    if elevations:
        from datetime import UTC, datetime

        from planner.weather import elevations as services

        trip = planner.read(folder, progress=io.progress).trip
        checks = services.check_places(trip, offline=offline, now=datetime.now(UTC), progress=io.progress)
        answered = any(check.first_m is not None for check in checks)
        data, lines = words.elevation_dict(checks), words.elevation_lines(checks, trip)
    else:
        found = planner.fetch_weather(folder, offline=offline, progress=io.progress)
        answered = not found.failed
        data, lines = words.weather_dict(found), words.weather_lines(found)
    io.result(data, lines, as_json=as_json)
    return DONE if answered else FAILED


@cli.command()
@TRIP
@JSON
@click.pass_obj
def session(io: Streams, folder: Path, as_json: bool) -> int:
    """Closed-course laps or hill runs: number until a fluid or the brakes get thin, and time to cool.

    Reads session.toml in the trip folder. Exit code 1 means that a planned session exceeds a limit.

    Example: grademargin session alps
    """
    import planner
    from planner.laps import show

    held = planner.session(folder, progress=io.progress)
    if as_json:
        io.json(held.to_dict())
    else:
        io.show(*show.tables(held.outcome, held.trip))
    return EXCEEDED if held.exceeded else DONE


def _fill_heights(io: Streams, track: Path, *, offline: bool, elevations: bool, as_json: bool) -> int:
    from datetime import UTC, datetime

    from planner.model.display import counted
    from planner.weather.elevations import CREDITS
    from planner.weather.track_heights import fill_track

    if not elevations:
        message = "--track: only with --elevations"
        raise PlannerError(message)
    filled = fill_track(track, offline=offline, now=datetime.now(UTC), progress=io.progress)
    told = f"{track.name}: {counted(filled.missing, 'point')} without elevation"
    if not filled.missing:
        told += "; nothing to fill."
    elif filled.found:
        told += f", {filled.asked:,} requested, {filled.found:,} found. Written to {filled.path}. {CREDITS[0]}"
    else:
        told += ", none found; nothing was written."
    written = str(filled.path) if filled.found else None
    data = {"missing": filled.missing, "asked": filled.asked, "found": filled.found, "written": written}
    io.result(data, [told], as_json=as_json)
    return DONE if filled.found or not filled.missing else FAILED


def _draw_road(io: Streams, folder: Path, found: "CheckResult") -> None:
    """Write the page with map and profile, if the folder is writable."""
    from planner.model import paths
    from planner.output.road_shape import PAGE
    from planner.output.write import write_files

    try:
        write_files(paths.results_folder(folder), {PAGE: found.page()})
    except OutputError as exc:
        io.progress(f"no page with map and profile: {exc}")
    else:
        io.say(f"Map and profile: {paths.results_folder(folder) / PAGE}")


def _fill(io: Streams, folder: Path, *, in_place: bool, as_json: bool) -> int:
    """Fill the empty cells of places.csv from the shipped tables."""
    from planner.newtrip.fill import fill_places, write_filled

    filled = fill_places(folder)
    written = write_filled(folder, filled, in_place=in_place)
    lines = (*filled.filled, *(f"check: {text}" for text in filled.open), f"Written to {written}.")
    data = {"written": str(written), "filled": list(filled.filled), "open": list(filled.open)}
    io.result(data, lines, as_json=as_json)
    return BAD_INPUT if filled.open else DONE


def _read(io: Streams, folder: Path) -> "Inputs":
    import planner
    from planner.output.check import size

    inputs = planner.read(folder, progress=io.progress)
    io.progress(f"read {size(inputs.trip)}")
    return inputs


for _command in (desk.desk, logs.log, logs.fit, logs.review, logs.alarms):
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
        io.complain(shown.getvalue().rstrip("\n") + hint_on(exc.message))
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
        io.complain(f"grademargin: {where}{exc.strerror or exc}; fix this and try again")
        return FAILED
    except (click.Abort, KeyboardInterrupt):
        return _stopped(io, signal.SIGINT)
    except streams.Stopped as exc:
        return _stopped(io, exc.number)
    except SystemExit:  # the reader of the help closed the pipe
        return DONE
    except Exception as exc:  # an internal error must not exit with the code for an exceeded limit
        io.drop()
        io.complain(f"grademargin: {crash.crash_text(exc)}")
        return crash.CRASHED


def _stopped(io: Streams, number: int) -> int:
    """Report the interruption; return the shell's exit code for it."""
    io.complain(f"grademargin: {crash.STOPPED}")
    return 128 + number
