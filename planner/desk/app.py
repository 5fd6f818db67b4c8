"""The desk's addresses: what the page may read and change."""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

import maps
from planner.desk import looks, office
from planner.desk.actions import whole_number
from planner.desk.core import Desk, StaleError
from planner.desk.folder import ChangedOnDiskError
from planner.desk.guard import Guard
from planner.files import limits
from planner.model.errors import OutputError, PlannerError, TripError
from thermal.errors import ThermalError

STATIC = Path(__file__).parent / "static"
_MAPS = Path(maps.__file__).parent
_FILES = {path.name: path for path in sorted(STATIC.iterdir())} | {
    "leaflet.js": _MAPS / "static" / "leaflet.js",
    "leaflet.css": _MAPS / "static" / "leaflet.css",
    "page.css": _MAPS / "templates" / "page.css",
}
_KINDS = {".js": "text/javascript", ".css": "text/css", ".html": "text/html"}
# Of a refusal, by its kind: the first that fits.
_STATUS = {StaleError: 409, ChangedOnDiskError: 409, OutputError: 507, PlannerError: 400, ThermalError: 400}
UPLOADS = (("/api/track", limits.GPX_BYTES), ("/api/log", limits.LOG_BYTES))
_BEAT_S = 10.0
_MOST_WINDOWS = 16
Answer = Callable[[Request], Awaitable[Response]]


class Windows:
    """The open pages that listen for changes."""

    def __init__(self) -> None:
        self.queues: set[asyncio.Queue[None]] = set()
        self.loop: asyncio.AbstractEventLoop | None = None
        self.ever = False

    def tell(self) -> None:
        """Wake every page; from any thread."""
        if self.loop is not None:
            self.loop.call_soon_threadsafe(self._tell)

    def _tell(self) -> None:
        for queue in self.queues:
            if queue.empty():
                queue.put_nowait(None)


def make_app(desk: Desk, *, stop: Callable[[], None] = lambda: None) -> tuple[Guard, Windows]:
    """Make the application with its guard, and the windows that listen."""
    windows = Windows()
    desk.listeners.append(windows.tell)
    rooms = office.Office(desk)
    desk.closing.append(rooms.close)
    return Guard(Starlette(routes=_routes(desk, windows, rooms, stop)), uploads=UPLOADS), windows


def _routes(desk: Desk, windows: Windows, rooms: office.Office, stop: Callable[[], None]) -> list[Route]:
    def view(_: dict[str, Any]) -> dict[str, Any]:
        with desk.lock:
            return looks.overview(desk)

    def lines(_: dict[str, Any]) -> dict[str, Any]:
        report = desk.report
        return {} if report is None else looks.lines(report)

    def edit(asked: dict[str, Any]) -> dict[str, Any]:
        desk.edit(whole_number(asked, "revision"), str(asked.get("kind", "")), asked)
        return view(asked)

    def apply(asked: dict[str, Any]) -> dict[str, Any]:
        desk.apply(*(whole_number(asked, key) for key in ("revision", "number", "choice")))
        return view(asked)

    def back(asked: dict[str, Any]) -> dict[str, Any]:
        desk.back(whole_number(asked, "revision"), again=bool(asked.get("again")))
        return view(asked)

    def end(_: dict[str, Any]) -> dict[str, Any]:
        stop()
        return {}

    asked_for: dict[str, office.Work] = {
        "view": view,
        "geometry": lambda _: looks.geometry(desk.readable()[1]),
        "ground": lambda _: looks.ground(desk.readable()[1]),
        "lines": lines,
        **rooms.shown,
    }
    changing = {"edit": edit, "apply": apply, "back": back, "stop": end, **rooms.done}
    return [
        Route("/", lambda _: FileResponse(STATIC / "index.html", media_type="text/html")),
        Route("/static/{name}", _static),
        Route("/api/events", partial(_events, desk, windows)),
        Route("/out/{name}", rooms.result),
        *(Route(f"/api/{name}", _answered(work), methods=["GET"]) for name, work in asked_for.items()),
        *(Route(f"/api/{name}", _answered(work), methods=["POST"]) for name, work in changing.items()),
        *(Route(f"/api/{name}", _taken(rooms, work), methods=["POST"]) for name, work in rooms.taken.items()),
    ]


async def _static(request: Request) -> Response:
    path = _FILES.get(request.path_params["name"])
    return office.problem(404, "no such file") if path is None else FileResponse(path, media_type=_KINDS[path.suffix])


def _answered(work: Callable[[dict[str, Any]], dict[str, Any]]) -> Answer:
    """Run a request in a thread and reply with JSON."""

    async def answer(request: Request) -> Response:
        try:
            asked = await _asked(request)
            return JSONResponse(await run_in_threadpool(work, asked))
        except Exception as exc:
            return _refusal(exc)

    return answer


def _taken(rooms: office.Office, work: Callable[[str, Path], dict[str, Any]]) -> Answer:
    """Store an upload in a temporary file, then process it."""

    async def answer(request: Request) -> Response:
        path = rooms.new_upload()
        try:
            with path.open("xb") as file:
                async for chunk in request.stream():
                    await run_in_threadpool(file.write, chunk)
            return JSONResponse(await run_in_threadpool(work, request.query_params.get("name", ""), path))
        except Exception as exc:
            path.unlink(missing_ok=True)
            return _refusal(exc)

    return answer


async def _asked(request: Request) -> dict[str, Any]:
    """Body of a request, or its query."""
    if request.method == "GET":
        return dict(request.query_params)
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        message = "JSON is needed"
        raise PlannerError(message)
    try:
        data = json.loads(await request.body())
    except (ValueError, RecursionError) as exc:
        message = "the request cannot be read as JSON"
        raise PlannerError(message) from exc
    if not isinstance(data, dict):
        message = "a JSON object is needed"
        raise PlannerError(message)
    return data


def _refusal(exc: Exception) -> Response:
    if isinstance(exc, ClientDisconnect):
        return office.problem(413, "too large, or interrupted")
    if isinstance(exc, TripError):
        return office.problem(400, *exc.problems)
    for kind, status in _STATUS.items():
        if isinstance(exc, kind):
            return office.problem(status, *str(exc).split("\n"))
    if isinstance(exc, OSError):
        return office.problem(507, f"cannot be written ({exc.strerror or exc})")
    return office.problem(500, f"internal error ({type(exc).__name__}: {exc}); nothing was written")


async def _events(desk: Desk, windows: Windows, request: Request) -> Response:
    """Notify a page of every change; the page then requests the new state."""
    if len(windows.queues) >= _MOST_WINDOWS:
        return office.problem(503, "too many windows are open")
    queue: asyncio.Queue[None] = asyncio.Queue(maxsize=1)
    windows.loop, windows.ever = asyncio.get_running_loop(), True
    windows.queues.add(queue)

    async def told() -> AsyncIterator[str]:
        try:
            while True:
                said = {"revision": desk.revision, "stage": desk.stage, "doing": desk.doing}
                yield f"data: {json.dumps(said)}\n\n"
                try:
                    await asyncio.wait_for(queue.get(), _BEAT_S)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            windows.queues.discard(queue)

    return StreamingResponse(told(), media_type="text/event-stream")
