"""The commands for logs: `log`, `fit`, `review`, `alarms`. Heavy imports are deferred until one runs."""

import os
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from planner.cli.console import DONE, JSON, PATH, TRIP
from planner.cli.streams import Streams
from planner.model.errors import PlannerError

if TYPE_CHECKING:
    from planner.analysis.alarms import Reading
    from planner.output.noted import NotedResult
    from planner.output.results import FitResult

_AMBIENT = click.option("--ambient", help='Outside air temperature for logs without it, e.g. "25 degC".')
_LOGS = click.argument("logs", type=PATH, metavar="LOG...", nargs=-1, required=True)


def _refuse_folders(logs: Iterable[Path]) -> None:
    """Refuse a folder: the user must choose the log files that belong to the trip."""
    for folder in logs:
        if os.path.isdir(folder):  # unlike Path.is_dir, false for a name too long
            message = f"{folder}: is a folder; name the log files one by one, e.g. {folder / 'day1.csv'}"
            raise PlannerError(message)


@click.command()
@click.argument("file", type=PATH, metavar="LOG")
@click.option("--describe", is_flag=True, help="Propose a mapping even if one exists.")
@click.option("--write", is_flag=True, help="Write the proposed mapping to a file next to the log, for you to check.")
@click.option("--map", "map_file", type=PATH, help="Mapping file; default: the log's name with .map.toml.")
@JSON
@click.pass_obj
def log(io: Streams, file: Path, describe: bool, write: bool, map_file: Path | None, as_json: bool) -> int:
    """Show how a log is read, and propose a column mapping for you to confirm.

    With a confirmed mapping, the log is read and its channels and faults are listed.

    Example: grademargin log july/logs/day1.csv --describe --write
    """
    from planner.files.logmap import map_path, write_map
    from planner.files.logpropose import describe_log, describe_read
    from planner.files.logs import open_log
    from planner.output import log_tables

    _refuse_folders((file,))
    where = map_path(file) if map_file is None else map_file
    if where.is_file() and not (describe or write):
        found = describe_read(open_log(file, where))
    else:
        found = describe_log(file)
    if write:
        write_map(where, found.mapping, file.name)
        io.progress(f"written: {where}; check it, and correct every entry marked 'unsure'")
    advice = f"The log is not used until you confirm this mapping: grademargin log --describe {file} --write"
    lines = (*found.sentences, *([] if where.is_file() else [advice]))
    io.result(log_tables.description_dict(found), lines, as_json=as_json)
    return DONE


@click.command()
@TRIP
@click.argument("logs", type=PATH, metavar="[LOG...]", nargs=-1)
@click.option("--drive", type=PATH, help="Instead of logs: a GPX track with times, e.g. from a phone.")
@click.option(
    "--readings", "notes", type=PATH, help="With --drive: gauge readings with times, in the format of readings.csv."
)
@click.option(
    "--learn",
    "names",
    help="Parameters to fit, separated by commas; default: all that the channels of the logs can determine.",
)
@click.option("--out", "out_file", type=PATH, help="New vehicle file; default TRIP/vehicle-fitted-DATE.toml.")
@click.option("--plots", type=PATH, help="Folder for plots of log and model; default TRIP/out.")
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), help="Date recorded for the fit; default today.")
@_AMBIENT
@JSON
@click.pass_obj
def fit(
    io: Streams,
    folder: Path,
    logs: tuple[Path, ...],
    drive: Path | None,
    notes: Path | None,
    names: str | None,
    out_file: Path | None,
    plots: Path | None,
    on: "date | None",
    ambient: str | None,
    as_json: bool,
) -> int:
    """Fit the car to one or more logs and write a new vehicle file; your file is not changed.

    Without a logger: record a GPX track with a phone, note gauge readings with the time, and give --drive and
    --readings. To find the most useful drive: grademargin check DIR --try-out

    Example: grademargin fit july july/logs/day1.csv july/logs/day2.csv
    """
    import planner
    from planner.files.vehicles import refuse_existing
    from planner.model.paths import results_folder
    from planner.output.write import try_out, write_files

    _refuse_mixed(logs, drive, notes, names, plots)
    drawn = results_folder(folder) if plots is None else plots
    trip = planner.read(folder, progress=io.progress)
    day = date.today() if on is None else date(on.year, on.month, on.day)
    target = folder / f"vehicle-fitted-{day.isoformat()}.toml" if out_file is None else out_file
    refuse_existing(target)  # reported before the long fit
    try_out(target.parent, ())
    if drive is not None and notes is not None:
        noted = planner.fit_drive(trip, drive, notes, ambient_k=_kelvins(ambient), on=day, progress=io.progress)
        noted.write(target)
        return _tell_fit(io, folder, target, noted, as_json)
    try_out(drawn, (), trip=folder)
    asked = tuple(name.strip() for name in names.split(",")) if names else ()
    learned = planner.fit(trip, logs, learn=asked, ambient_k=_kelvins(ambient), on=day, progress=io.progress)
    learned.write(target)
    write_files(drawn, learned.plots())
    return _tell_fit(io, folder, target, learned, as_json)


def _refuse_mixed(
    logs: tuple[Path, ...], drive: Path | None, notes: Path | None, names: str | None, plots: Path | None
) -> None:
    if logs and (drive or notes):
        message = "give either logs, or --drive and --readings"
        raise PlannerError(message)
    if not logs and (drive is None or notes is None):
        message = "give one or more logs, or --drive TRACK.gpx and --readings NOTES.csv"
        raise PlannerError(message)
    if drive is not None and (names or plots):
        message = "--learn and --plots: only with logs"
        raise PlannerError(message)
    _refuse_folders(logs)


def _tell_fit(io: Streams, folder: Path, target: Path, learned: "FitResult | NotedResult", as_json: bool) -> int:
    advice = f"To use it, rename it to {folder / 'vehicle.toml'}; keep a copy of the old file."
    io.result(learned.to_dict(), (*learned.sentences, f"Written: {target}. {advice}"), as_json=as_json)
    return DONE


@click.command()
@TRIP
@_LOGS
@_AMBIENT
@JSON
@click.pass_obj
def review(io: Streams, folder: Path, logs: tuple[Path, ...], ambient: str | None, as_json: bool) -> int:
    """Compare logs with the forecast: was it the day or the car? With three or more logs, also show trends.

    Example: grademargin review july july/logs/day3.csv
    """
    import planner

    _refuse_folders(logs)
    found = planner.review(folder, logs, ambient_k=_kelvins(ambient), progress=io.progress)
    lines = []
    for one in found.reviews:
        said = (*one.driven.notes, *one.driven.log.faults, *one.sentences)
        lines += [one.driven.log.name, *(f"  {line}" for line in said)]
    io.result(found.to_dict(), (*lines, *(trend.words for trend in found.trends)), as_json=as_json)
    return DONE


_READ = ("PRESSURE", "RPM", "OIL")


@click.command()
@TRIP
@click.option(
    "--idle",
    nargs=3,
    metavar=" ".join(_READ),
    help='Reading of the healthy engine at hot idle: "15 psi" "850 rpm" "210 degF".',
)
@click.option("--cruise", nargs=3, metavar=" ".join(_READ), help="The same at cruise.")
@click.option("--drop", nargs=3, metavar=" ".join(_READ), help="The same for the pressure drop across the oil cooler.")
@click.option("--legs", is_flag=True, help="Also print one card per leg.")
@JSON
@click.pass_obj
def alarms(
    io: Streams,
    folder: Path,
    idle: tuple[str, str, str] | None,
    cruise: tuple[str, str, str] | None,
    drop: tuple[str, str, str] | None,
    legs: bool,
    as_json: bool,
) -> int:
    """Print the alarm card: gauge values to expect, and where to set alarms; with --legs per leg.

    Example: grademargin alarms july --idle "15 psi" "850 rpm" "210 degF"
    """
    from rich.table import Table

    import planner
    from planner.analysis.alarm_words import HEADINGS, caution_lines
    from planner.analysis.alarms import Reference
    from planner.model.display import units_of
    from planner.output.alarms import alarm_rows, alarm_title, pressure_table_rows

    known = Reference(idle=_reading(idle), cruise=_reading(cruise), cooler_drop=_reading(drop))
    found = planner.alarms(folder, known, progress=io.progress)
    if as_json:
        io.json(found.to_dict())
        return DONE

    def show(title: str, headings: Iterable[str], rows: Iterable[tuple[str, ...]]) -> None:
        table = Table(*headings, title=title)
        for row in rows:
            table.add_row(*row)
        io.show(table)

    *each, whole = found.cards
    for card in (whole, *each) if legs else (whole,):
        show(alarm_title(found.outlook, card), HEADINGS, alarm_rows(found.outlook, card))
    for line in caution_lines(whole.fluids, units_of(found.outlook.trip.units)):
        io.say(line)
    show("Oil pressure by engine speed and oil temperature", *pressure_table_rows(found.outlook, known))
    io.say(f"Pressures: {known.words}. For warm oil and a healthy engine; cold oil reads higher.")
    return DONE


def _kelvins(text: str | None) -> float | None:
    return None if text is None else _value(text, "K", "--ambient", "77 degF")


def _value(text: str, unit: str, what: str, example: str = "") -> float:
    from thermal.errors import ThermalError
    from thermal.units import to_si

    try:
        return to_si(text, unit, example=example)
    except ThermalError as exc:
        message = f"{what}: {exc}"
        raise PlannerError(message) from exc


def _reading(given: tuple[str, str, str] | None) -> "Reading | None":
    from planner.analysis.alarms import Reading

    if given is None:
        return None
    wanted = (("Pa", "pressure"), ("rad/s", "engine speed"), ("K", "oil temperature"))
    pressure, speed, oil = (_value(text, *kind) for text, kind in zip(given, wanted, strict=True))
    if not (0.0 < pressure < 2e6 and 20.0 < speed < 1500.0 and 260.0 < oil < 430.0):
        example = '"15 psi" "850 rpm" "210 degF"'
        message = f"read {' '.join(given)!r}; write pressure, engine speed and oil temperature, e.g. {example}"
        raise PlannerError(message)
    return Reading(pressure, oil, speed)
