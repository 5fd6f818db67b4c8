"""Opening a trip folder whole, and making new ones from the shipped examples."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from planner.files.reading import file_fault
from planner.files.trips import read_trip
from planner.files.weatherfile import read_weather_file
from planner.files.wholefile import is_part, new_folder_at
from planner.model.errors import OutputError, PlannerError, TripError
from planner.model.paths import data_folder
from planner.model.trip import Trip
from thermal.errors import ThermalError
from thermal.tomltext import TOML_BYTES
from thermal.vehicle_file import VehicleFile, read_vehicle


def open_folder(folder: Path) -> tuple[Trip, VehicleFile]:
    """Read a trip and its car; every problem of both comes at once.

    Parameters
    ----------
    folder : Path
        The trip folder. [-]

    Returns
    -------
    tuple of Trip and VehicleFile
        Both checked.

    Raises
    ------
    TripError
        Carries every problem, one sentence each.
    """
    problems: list[str] = []
    trip, car = None, None
    try:
        trip = read_trip(folder)
    except TripError as exc:
        problems += exc.problems
    if trip is not None:
        try:
            read_weather_file(folder, trip.places)
        except TripError as exc:
            problems += exc.problems
    if os.path.isdir(folder):  # unlike Path.is_dir, false for a name too long
        try:
            fault = file_fault(folder / "vehicle.toml", root=folder, max_bytes=TOML_BYTES)
            if fault is None:
                car = read_vehicle(folder / "vehicle.toml", data_folder() / "vehicles")
            else:
                problems.append(f"vehicle.toml: {fault}")
        except ThermalError as exc:
            problems += str(exc).split("\n")
    if problems or trip is None or car is None:
        raise TripError(problems)
    return trip, car


def examples() -> tuple[str, ...]:
    """Names of the shipped example trips.

    Returns
    -------
    tuple of str
        Folder names.

    Examples
    --------
    >>> "minimal" in examples()
    True
    """
    return tuple(sorted(p.name for p in (data_folder() / "examples").iterdir() if (p / "trip.toml").is_file()))


def classes() -> tuple[str, ...]:
    """Names of the shipped vehicle classes.

    Returns
    -------
    tuple of str
        File names without ending.
    """
    return tuple(sorted(p.stem for p in (data_folder() / "vehicles").glob("*.toml")))


def new_folder(folder: Path, example: str, *, finish: Callable[[Path], object] = lambda _: None) -> tuple[str, ...]:
    """Copy an example into a new trip folder.

    Parameters
    ----------
    folder : Path
        Must not exist, or be empty. [-]
    example : str
        Which example. [-]
    finish : callable, optional
        Changes the copied files before the folder gets its name. [-]

    Returns
    -------
    tuple of str
        Files written, relative to the folder.

    Raises
    ------
    PlannerError
        If the example is unknown or the folder holds anything; nothing is ever overwritten.
    OutputError
        If the folder cannot be written.
    """
    if example not in examples():
        message = f"example {example!r} does not exist; there are: {', '.join(examples())}"
        raise PlannerError(message)
    try:
        taken = os.path.lexists(folder) and (not folder.is_dir() or not all(map(is_part, os.listdir(folder))))
    except OSError as exc:
        message = f"{str(folder)[:80]}: cannot be opened ({exc.strerror}); give a shorter or another path"
        raise OutputError(message) from exc
    if taken:
        message = f"{folder}: already holds something; name a new folder, nothing is overwritten"
        raise PlannerError(message)
    try:
        with new_folder_at(folder) as made:
            _copy(data_folder() / "examples" / example, made)
            finish(made)
            return tuple(sorted(str(p.relative_to(made)) for p in made.rglob("*") if p.is_file()))
    except OSError as exc:
        message = f"{str(folder)[:80]}: cannot be written ({exc.strerror or exc}); choose a folder you may write to"
        raise OutputError(message) from exc


def _copy(source: Path, target: Path) -> None:
    """Copy a folder's files, to be changed by their new owner; the shipped ones may be read-only."""
    for path in sorted(source.rglob("*")):
        inner = path.relative_to(source)
        if path.is_file() and not {"out", "__pycache__"} & set(inner.parts):
            (target / inner).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target / inner)
