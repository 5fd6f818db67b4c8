"""Other functions of the desk: start a trip, rank the car's values, write files, read logs, compare."""

import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

import planner
from planner.analysis.sensitivity import Effect, rank_assumptions
from planner.desk import actions, logroom
from planner.desk.carpage import car_page, class_rows
from planner.desk.core import Desk
from planner.desk.uploads import safe_name
from planner.files.readings import READING_COLUMNS, READINGS
from planner.files.settings import FILE as TRIP
from planner.files.settingsheets import SETTINGS_HELP, setting_lines
from planner.files.template import CHOICES, HELP
from planner.model.errors import PlannerError
from planner.model.paths import results_folder
from planner.newtrip.make import BASE, DEPARTURE
from planner.newtrip.told import draft_lines
from planner.output.results import Plan

Work = Callable[[dict[str, Any]], dict[str, Any]]
TRACKS = frozenset({".gpx", ".kml", ".geojson", ".json"})
_SHOWN = {".html": "text/html", ".svg": "image/svg+xml"}  # opened in the browser; others are saved
# A page of results may run its own scripts in a sandbox, without access to the desk.
_APART = "sandbox allow-scripts allow-modals allow-downloads allow-popups; frame-ancestors 'none'"
_MOST_TRACKS = 20


class Office:
    """Requests of the other rooms of the page: reading (`shown`), changing (`done`) and uploads (`taken`)."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.logs = logroom.LogRoom(desk)
        self._temporary: Path | None = None
        self._tracks: list[Path] = []
        self._effects: tuple[int, Sequence[Effect]] | None = None
        self.shown: dict[str, Work] = {
            "start": self.start_page,
            "settings": self.settings,
            "car": self.car,
            "readings": self.readings,
            "states": self.states,
            "logs": self.logs.listed,
        }
        self.done: dict[str, Work] = {
            "new": self.new,
            "rank": self.rank,
            "outputs": self.outputs,
            "log-confirm": self.logs.confirm,
            "fit": self.logs.fit,
            "review": self.logs.review,
        }
        self.taken: dict[str, Callable[[str, Path], dict[str, Any]]] = {"track": self.track, "log": self.logs.take}

    def close(self) -> None:
        """Remove uploads that were not added to the trip."""
        if self._temporary is not None:
            shutil.rmtree(self._temporary, ignore_errors=True)

    def new_upload(self) -> Path:
        """Path for an upload."""
        if self._temporary is None:
            self._temporary = Path(tempfile.mkdtemp(prefix="grademargin-desk-"))
        return Path(tempfile.mkdtemp(dir=self._temporary)) / "upload"

    # --- a new trip ---

    def start_page(self, _: dict[str, Any]) -> dict[str, Any]:
        """Choices for starting a trip."""
        return {
            "empty": not self.desk.folder.exists(),
            "folder": str(self.desk.folder.path),
            "examples": list(planner.examples()),
            "classes": class_rows(),
            "base": BASE,
            "departure": f"{DEPARTURE:%Y-%m-%dT%H:%M}",
            "tracks": [path.name for path in self._tracks],
        }

    def track(self, name: str, path: Path) -> dict[str, Any]:
        """Add one track of the road; tracks are joined in the order of upload."""
        from planner.newtrip.make import read_road

        kept = path.with_name(safe_name(name))
        if kept.suffix.lower() not in TRACKS or len(self._tracks) >= _MOST_TRACKS:
            message = f"{kept.name}: a .gpx, .kml or .geojson of the road is needed, at most {_MOST_TRACKS}"
            raise PlannerError(message)
        path.rename(kept)
        try:
            road = read_road([*self._tracks, kept])
        except PlannerError:
            kept.unlink(missing_ok=True)
            raise
        self._tracks.append(kept)
        return {"tracks": [one.name for one in self._tracks], "length_m": road.length_m}

    def new(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Make the trip folder from the uploaded tracks or from an example."""
        desk, example = self.desk, actions.word(asked, "example")
        said: list[str] = []
        with desk.lock:
            if example:
                planner.new(desk.folder.path, example)
            elif self._tracks:
                start = actions.word(asked, "start").replace("T", " ")
                base, hours = actions.word(asked, "base"), actions.word(asked, "driving")
                draft = planner.new_from_track(
                    desk.folder.path, self._tracks, start=start or None, base=base or None, driving=hours or None
                )
                said = draft_lines(draft)
            else:
                message = "upload a track of the road, or choose an example"
                raise PlannerError(message)
            self._tracks.clear()
            desk.reload("as made")
        return {"said": said}

    # --- settings, car, readings ---

    def settings(self, _: dict[str, Any]) -> dict[str, Any]:
        """Keys of trip.toml and columns of a leg, each with its help."""
        text = self.desk.folder.text(TRIP) or ""
        rows = [
            {"key": line.key, "value": str(line.value), "what": line.what, "words": list(line.words)}
            for line in setting_lines(text)
            if line.key in SETTINGS_HELP
        ]
        columns = [{"column": c, "what": HELP[c], "words": list(CHOICES.get(c, ()))} for c in actions.ON_A_LEG]
        return {"settings": rows, "columns": columns}

    def car(self, _: dict[str, Any]) -> dict[str, Any]:
        """The car's values."""
        effects = self._effects[1] if self._effects and self._effects[0] == self.desk.revision else None
        return car_page(self.desk.readable()[0], effects)

    def rank(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Sort the car's assumed values by their effect on this trip's margins."""
        report = self.desk.wait_whole()
        revision = self.desk.revision
        self._effects = revision, rank_assumptions(report.outlook)
        return self.car(asked)

    def readings(self, _: dict[str, Any]) -> dict[str, Any]:
        """Columns of readings.csv, its text, and what was learnt from it."""
        inputs, text = self.desk.readable()[0], self.desk.folder.text(READINGS) or ""
        with self.desk.lock:
            learnt = [] if self.desk.report is None else list(self.desk.report.learnt)
        return {
            "columns": [actions.column_shown(column, inputs.trip) for column in READING_COLUMNS],
            "text": text,
            "learnt": learnt,
            "places": [{"key": place.key, "name": place.name} for place in inputs.trip.places.values()],
        }

    def states(self, _: dict[str, Any]) -> dict[str, Any]:
        """The trip after each change, for comparison."""
        with self.desk.lock:
            return {"states": list(self.desk.kept)}

    # --- files ---

    def outputs(self, _: dict[str, Any]) -> dict[str, Any]:
        """Write the files of the command `plan`."""
        report = self.desk.wait_whole()
        folder = results_folder(self.desk.folder.path)
        written = Plan(report).write(folder)
        return {"files": [{"name": p.name, "address": f"/out/{quote(p.name)}"} for p in written], "folder": str(folder)}

    async def result(self, request: Request) -> Response:
        """One file of the results, looked up among the existing ones."""
        try:
            folder = results_folder(self.desk.folder.path)
            there = {path.name: path for path in folder.iterdir() if path.is_file() and not path.is_symlink()}
        except (OSError, PlannerError):
            there = {}
        path = there.get(request.path_params["name"])
        if path is None or path.name.startswith("."):
            return problem(404, "no such file")
        kind = _SHOWN.get(path.suffix)
        saved = kind is None or "save" in request.query_params
        name, headers = path.name if saved else None, {"content-security-policy": _APART}
        return FileResponse(path, filename=name, media_type=None if saved else kind, headers=headers)


def problem(status: int, *lines: str) -> Response:
    """A refusal, line by line."""
    return JSONResponse({"problems": lines}, status_code=status)
