"""The command line: commands on a trip, and how a run ends. Heavy imports wait until a command needs them."""

import signal
import sys
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from planner.cli import logs, streams
from planner.cli.console import BAD_INPUT, DONE, EXCEEDED, FAILED, JSON, PATH, TRIP, Streams
from planner.cli.crash import CRASHED, crash_text
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
@click.option("--example", help="Which worked example to copy; minimal unless another is named.")
@click.option(
    "--track", "tracks", multiple=True, type=PATH, help="A .gpx, .kml or .geojson of the road; may be repeated."
)
@click.option("--start", help="With --track: when to set off, '2027-08-06 07:00'.")
@click.option("--base", help="With --track: class of the car.")
@click.option("--nights", help="With --track: most driving of a day, '6h'.")
@click.option(
    "--spreadsheet", "--xlsx", is_flag=True, help="Put the tables into trip.xlsx, to be typed in a spreadsheet."
)
@JSON
@click.pass_obj
def new(io: Streams, /, folder: Path, example: str | None, spreadsheet: bool, as_json: bool, **road: Any) -> int:
    """Make a new trip folder from a worked example, or from a track of the road.

    From a track every place, leg, height, distance and profile is filled in, cut at the track's named points, at towns,
    and at the tops, feet and turns of grades; usual temperatures come from station normals. Nothing is asked of any
    network. What was assumed is listed.

    Example: grademargin new july --track route.gpx --start "2027-08-06 07:00" --nights 6h
    """
    import planner
    from planner.files.folder import class_lines, classes, examples

    if road["tracks"]:
        return _new_from_track(io, folder, spreadsheet=spreadsheet, as_json=as_json, example=example, **road)
    given = [f"--{name}" for name in ("start", "base", "nights") if road[name] is not None]
    if given:
        message = f"{', '.join(given)}: only together with --track; an example has its own"
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
    io.say("Vehicle classes; put the one nearest your car behind 'base' in vehicle.toml:")
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
    **asked: str | None,
) -> int:
    """Make a trip folder of a road."""
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
        spreadsheet=spreadsheet,
    )
    if as_json:
        io.json({"folder": str(folder), "files": list(files), **draft_dict(draft)})
    else:
        for line in draft_lines(draft):
            io.say(line)
        io.say(f"Written to {folder}: {', '.join(files)}. Look at them, then: grademargin plan {folder}")
    return DONE


@cli.command()
@TRIP
@click.option("--rank", is_flag=True, help="Also sort what is assumed of the car by what knowing it is worth.")
@click.option("--usual", "as_usual", is_flag=True, help="Also show the car in everyday states beside what is usual.")
@click.option("--try-out", is_flag=True, help="Also say which hour's drive near home teaches most for this trip.")
@click.option("--fill", is_flag=True, help="Fill places from the table of towns into a new file, places-filled.csv.")
@click.option("--in-place", is_flag=True, help="With --fill: into places.csv itself.")
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
    """Check a trip's files, draw its profile, and list what the forecast rests on; writes out/check.html.

    With --rank, assumed values are sorted by how far the smallest margin moves when one moves by its likely error: know
    those first. With --usual, the car is driven through a cruise, a long grade, idling in heat and the like, and each
    temperature is shown with the usual one for such a car. With --try-out, an hour near home is worked out:
    which gauge read where tells most of the trip's thin margins. With --fill, places.csv needs only names: position,
    height, usual high and low of towns are filled in.

    Example: grademargin check july --rank
    """
    import planner

    if fill:
        return _fill(io, folder, in_place=in_place, as_json=as_json)
    if in_place:
        message = "--in-place: only together with --fill"
        raise PlannerError(message)
    found = planner.check(folder, rank=rank, progress=io.progress)
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
    if not rank:
        io.say(f"Which of them are worth knowing: grademargin check {folder} --rank")
    return DONE


def _try_out(io: Streams, folder: Path, found: "CheckResult") -> tuple[list[str], dict[str, Any]]:
    """The drive near home that teaches most for a trip, in sentences and as data."""
    import planner
    from planner.analysis.tryout import find_worth
    from planner.output.tryout import worth_lines, worth_list

    outlook = planner.plan(found.inputs, remedies=False, progress=io.progress).report.outlook
    worth = find_worth(outlook, progress=io.progress)
    return worth_lines(outlook, worth, folder), {"try_out": worth_list(worth)}


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
@click.option("--out", "out_folder", metavar="PATH", help="Where to write; default is out/ in the trip folder.")
@click.option("--from", "from_place", help="Plan what is left, from this place on: its key or name.")
@click.option("--along", help="The same from a point along a leg: 'FROM>TO:12.5 mi'.")
@click.option("--at", help="Local time to set off there: '2027-07-11 10:00'.")
@click.option("--now", "readings", multiple=True, help="What a gauge reads then: 'coolant=195 degF'; may be repeated.")
@click.option("--driven", help="Driving done that day before then: '5.5 h'; without it, what the plan has.")
@click.option("--full", is_flag=True, help="Also print reasons, every remedy, weather, service, other roads.")
@JSON
@click.pass_obj
def plan(io: Streams, /, folder: Path, out_folder: str | None, full: bool, as_json: bool, **asked: Any) -> int:
    """Plan the trip: days, forecast, thin places, map. The main job.

    Writes trip.html, forecast.csv, plan.json, trip.gpx, trip.ics and trip.geojson. Exit code 1 says that a margin is
    exceeded and that nothing tried helps. On the way, --from and --at plan what is left and say what changed since the
    last plan; no network is needed.

    Example: grademargin plan july --from raton --at "2027-07-11 10:00" --now "coolant=195 degF"
    """
    import planner
    from planner.model import paths
    from planner.output import terminal
    from planner.output.changes import changes, last_plan
    from planner.output.export import PLAN_FILES
    from planner.output.write import try_out, write_files
    from planner.replan.request import read_request

    rest = read_request(**asked) is not None  # said before the folder is read
    if out_folder is not None and not out_folder:
        message = "--out names no folder; name one, or leave --out away for out/ in the trip folder"
        raise PlannerError(message)
    target = paths.results_folder(folder) if out_folder is None else Path(out_folder)
    trip = _read(io, folder)
    try_out(target, PLAN_FILES, trip=folder)
    made = planner.plan(trip, **asked, progress=io.progress)
    io.progress("drawing the map")
    files = made.files(earlier=(target, folder / "out"))
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
@click.option("--set", "settings", multiple=True, help="A change of your own: section.key=value as in vehicle.toml.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the result as a picture.")
@JSON
@click.pass_obj
def whatif(io: Streams, folder: Path, settings: tuple[str, ...], svg: Path | None, as_json: bool) -> int:
    """Try changes and parts on the whole trip, ranked by the margin they buy.

    Names those that buy nothing. Every line is the whole trip driven again under the same draws.

    Example: grademargin whatif july --set "cooling.cap_pressure=16 psi"
    """
    import planner
    from planner.output import terminal
    from planner.output.whatif import tornado_svg
    from planner.output.write import try_out, write_files

    if svg is not None and svg.suffix.lower() != ".svg":
        message = f"--svg {svg}: the picture's name ends in .svg, e.g. whatif.svg; nothing else is written over"
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
@click.option("--offline", is_flag=True, help="Never touch the network; show what was fetched before, and its age.")
@click.option("--elevations", is_flag=True, help="Check the places' elevations against two services instead.")
@click.option("--track", type=PATH, help="With --elevations: fill the heights this track lacks, into a new file.")
@JSON
@click.pass_obj
def weather(io: Streams, folder: Path, offline: bool, elevations: bool, track: Path | None, as_json: bool) -> int:
    """Fetch the forecast for every place of the route, and show what is fresh, stale or missing.

    Only rounded coordinates are sent. Later plans use what was fetched, also without signal. With --elevations --track
    road.gpx, heights the track lacks are asked for and written to road-heights.gpx.

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
    import planner
    from planner.laps import show

    held = planner.session(folder, progress=io.progress)
    if as_json:
        io.json(held.to_dict())
    else:
        io.show(*show.tables(held.outcome, held.trip))
    return EXCEEDED if held.exceeded else DONE


def _fill_heights(io: Streams, track: Path, *, offline: bool, elevations: bool, as_json: bool) -> int:
    """Fill the heights a track lacks from a service."""
    from datetime import UTC, datetime

    from planner.model.display import counted
    from planner.weather.elevations import CREDITS
    from planner.weather.track_heights import fill_track

    if not elevations:
        message = "--track: only together with --elevations"
        raise PlannerError(message)
    filled = fill_track(track, offline=offline, now=datetime.now(UTC), progress=io.progress)
    told = f"{track.name}: {counted(filled.missing, 'point')} without a height"
    if as_json:
        written = str(filled.path) if filled.found else None
        io.json({"missing": filled.missing, "asked": filled.asked, "found": filled.found, "written": written})
    elif not filled.missing:
        io.say(f"{told}; nothing to fill.")
    elif filled.found:
        io.say(f"{told}, {filled.asked:,} asked about, {filled.found:,} found. Written to {filled.path}. {CREDITS[0]}")
    else:
        io.say(f"{told}, none found; nothing was written.")
    return DONE if filled.found or not filled.missing else FAILED


def _draw_road(io: Streams, folder: Path, found: "CheckResult") -> None:
    """Write the page with map and profile, where the folder takes one."""
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
    if as_json:
        io.json({"written": str(written), "filled": list(filled.filled), "open": list(filled.open)})
    else:
        for line in (*filled.filled, *(f"look at: {text}" for text in filled.open)):
            io.say(line)
        io.say(f"Written to {written}.")
    return BAD_INPUT if filled.open else DONE


def _read(io: Streams, folder: Path) -> "Inputs":
    """Read a folder, and say what it is."""
    import planner
    from planner.output.check import size

    inputs = planner.read(folder, progress=io.progress)
    io.progress(f"read {size(inputs.trip)}")
    return inputs


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
    except Exception as exc:  # nobody foresaw it: never the exit code that says that a limit is passed
        io.drop()
        io.complain(f"grademargin: {crash_text(exc)}")
        return CRASHED


def _stopped(io: Streams, number: int) -> int:
    """Say so; the exit code is the one a shell gives."""
    io.complain("grademargin: stopped; no file is half written")
    return 128 + number
