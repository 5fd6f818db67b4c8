"""Logs on the desk: upload into the trip folder, confirmation of the mapping, fit and review."""

import itertools
import os
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import planner
from planner.desk.uploads import safe_name
from planner.files.logmap import LogMapping, map_path, write_map
from planner.files.logpropose import describe_log, describe_read
from planner.files.logs import open_log
from planner.files.wholefile import is_part, write_new
from planner.model.errors import OutputError, PlannerError
from planner.model.paths import results_folder
from planner.output.write import write_files

if TYPE_CHECKING:
    from planner.desk.core import Desk

FOLDER = "logs"
_ENDINGS = frozenset({".csv", ".txt", ".tsv", ".log", ".gz"})
_PREVIEW, _PREVIEW_BYTES, _SENTENCES = 8, 4_000, 60
_MOST_LOGS = 200
_TAKEN = "the trip has a log of this name; rename one of them, nothing is overwritten"


class LogRoom:
    """The logs of the trip folder."""

    def __init__(self, desk: "Desk") -> None:
        self.desk = desk

    @property
    def folder(self) -> Path:
        """Folder of the trip's logs; a link that leaves the trip is refused."""
        folder = self.desk.folder.path / FOLDER
        if folder.resolve() != self.desk.folder.path.resolve() / FOLDER:
            message = f"{folder}: is a link that leaves the trip folder; delete it"
            raise OutputError(message)
        return folder

    def _names(self) -> list[str]:
        if not self.folder.is_dir():
            return []
        there = sorted(os.listdir(self.folder))[:_MOST_LOGS]
        return [n for n in there if Path(n).suffix.lower() in _ENDINGS and not is_part(n) and n[0] != "."]

    def _path(self, asked: dict[str, Any]) -> Path:
        name = asked.get("name")
        if not isinstance(name, str) or name not in self._names():
            message = "there is no such log"
            raise PlannerError(message)
        return self.folder / name

    def listed(self, _: dict[str, Any]) -> dict[str, Any]:
        """Every log, and how it is read."""
        if not self.desk.folder.exists():
            return {"logs": []}
        return {"logs": [self._told(self.folder / name) for name in self._names()]}

    def _told(self, path: Path) -> dict[str, Any]:
        """How one log is read, or the proposal for it, with its first lines."""
        told: dict[str, Any] = {"name": path.name, "confirmed": False, "unsure": [], "preview": _preview(path)}
        try:
            if map_path(path).is_file():
                found, told["confirmed"] = describe_read(open_log(path)), True
            else:
                found = describe_log(path)
                told["unsure"] = list(_unsure(found.mapping))
        except PlannerError as exc:
            return told | {"sentences": str(exc).split("\n"), "fault": True}
        return told | {"sentences": list(found.sentences[:_SENTENCES])}

    def take(self, name: str, path: Path) -> dict[str, Any]:
        """Add an uploaded log to the folder and propose how to read it."""
        plain = safe_name(name)
        if Path(plain).suffix.lower() not in _ENDINGS:
            message = f"{plain}: a log is a .csv, .txt, .tsv or .log file, or one of them compressed as .gz"
            raise PlannerError(message)
        target = self.folder / plain
        self.folder.mkdir(exist_ok=True)
        if os.path.lexists(target):
            message = f"{plain}: {_TAKEN}"
            raise PlannerError(message)
        held = path.with_name(plain)
        path.rename(held)
        told = self._told(held)
        if told.get("fault"):
            held.unlink()
            raise PlannerError("\n".join(told["sentences"]))
        _put_new(held, target)
        return told

    def confirm(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Write the mapping of a log as its owner confirmed it: units by channel, channels left out."""
        path = self._path(asked)
        if map_path(path).is_file():
            message = f"{map_path(path).name}: already exists; edit it, or delete it for a new proposal"
            raise PlannerError(message)
        mapping = _settled(describe_log(path).mapping, asked)
        write_map(map_path(path), mapping, path.name)
        try:
            open_log(path)
        except PlannerError:
            map_path(path).unlink(missing_ok=True)
            raise
        return self._told(path)

    def _confirmed(self) -> list[Path]:
        found = [self.folder / name for name in self._names() if map_path(self.folder / name).is_file()]
        if not found:
            message = "no log is confirmed yet"
            raise PlannerError(message)
        return found

    def fit(self, _: dict[str, Any]) -> dict[str, Any]:
        """Fit the car to the confirmed logs, and write a new vehicle file."""
        learned = planner.fit(self.desk.readable()[0], self._confirmed())
        target = _free(self.desk.folder.path, date.today())
        learned.write(target)
        plots = learned.plots()
        write_files(results_folder(self.desk.folder.path), plots)
        use = "To use it, replace vehicle.toml with it; keep a copy of the old file."
        said = [*learned.sentences, f"Written: {target.name}. {use}"]
        return {"sentences": said, "plots": [f"/out/{quote(name)}" for name in plots]}

    def review(self, _: dict[str, Any]) -> dict[str, Any]:
        """Compare the confirmed logs with the forecast."""
        found = planner.review(self.desk.readable()[0], self._confirmed())
        said = []
        for one in found.reviews:
            said += [one.driven.log.name, *one.driven.notes, *one.driven.log.faults, *one.sentences]
        return {"sentences": [*said, *(trend.words for trend in found.trends)]}


def _preview(path: Path) -> list[str]:
    if path.suffix.lower() == ".gz":
        return []
    try:
        with path.open("rb") as file:
            text = file.read(_PREVIEW_BYTES).decode("utf-8", "replace")
    except OSError:
        return []
    return [re.sub(r"[^\x20-\x7e\u00a0-\uffff\t]", "", line)[:200] for line in text.splitlines()[:_PREVIEW]]


def _unsure(mapping: LogMapping) -> Any:
    """What the owner must confirm: the time, and channels."""
    if mapping.time_unsure:
        yield {"channel": "", "column": mapping.time, "unit": mapping.kind, "why": mapping.time_unsure}
    for name, source in mapping.channels.items():
        if source.unsure:
            yield {"channel": name, "column": source.column, "unit": source.unit, "why": source.unsure}


def _settled(mapping: LogMapping, asked: dict[str, Any]) -> LogMapping:
    """The mapping as its owner confirmed it; refused while anything is open."""
    units, left_out = asked.get("units", {}), asked.get("left_out", [])
    if not isinstance(units, dict) or not isinstance(left_out, list):
        message = "units: a unit for each channel is needed"
        raise PlannerError(message)
    channels = {}
    for name, source in mapping.channels.items():
        if name in left_out:
            continue
        if source.unsure and not isinstance(units.get(name), str):
            message = f"{name}: {source.unsure}; confirm its unit, or leave the channel out"
            raise PlannerError(message)
        channels[name] = replace(source, unit=str(units.get(name, source.unit)), unsure="")
    if mapping.time_unsure and asked.get("time") is not True:
        message = f"time: {mapping.time_unsure}; confirm it first"
        raise PlannerError(message)
    return replace(mapping, channels=channels, time_unsure="")


def _free(folder: Path, on: date) -> Path:
    """A name for a new vehicle file that is not taken."""
    names = (f"vehicle-fitted-{on.isoformat()}{'' if n == 1 else f'-{n}'}.toml" for n in itertools.count(1))
    return next(folder / name for name in names if not os.path.lexists(folder / name))


def _put_new(source: Path, target: Path) -> None:
    """Copy a file to a new name atomically."""
    try:
        write_new(target, source.read_bytes())
    except FileExistsError as exc:
        message = f"{target.name}: {_TAKEN}"
        raise PlannerError(message) from exc
