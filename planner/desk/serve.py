"""Serving the desk on this computer only, until its windows are closed or Ctrl-C."""

import asyncio
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from planner.desk.app import Windows, make_app
from planner.desk.core import Desk
from planner.desk.guard import HOST
from planner.model.errors import PlannerError

_ALONE_S = 20.0  # without a window; longer than a reload or a computer's wake-up takes
_MOST_AT_ONCE, _BACKLOG = 100, 64


def serve(folder: Path, *, port: int, browser: bool, stay: bool, tell: Callable[[str, bool], None]) -> None:
    """Serve one trip folder until the desk stops; `tell` gets each address, and whether it is the first."""
    desk, held = Desk(folder), _bound(port)
    server: uvicorn.Server | None = None

    def stop() -> None:
        if server is not None:
            server.should_exit = True

    guard, windows = make_app(desk, stop=stop)
    guard.port = held.getsockname()[1]
    guard.used = lambda: tell(guard.address, False)
    config = uvicorn.Config(
        guard,
        log_config=None,
        access_log=False,
        server_header=False,
        ws="none",
        lifespan="off",
        limit_concurrency=_MOST_AT_ONCE,
        timeout_graceful_shutdown=1,
        backlog=_BACKLOG,
    )
    server = uvicorn.Server(config)
    tell(guard.address, True)
    try:
        desk.start()
        if browser:
            webbrowser.open(guard.address)
        asyncio.run(_run(server, held, windows, stay=stay))
    finally:
        desk.close()
        held.close()


def _bound(port: int) -> socket.socket:
    """A socket of the loopback interface only."""
    held = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        held.bind((HOST, port))
        held.listen(_BACKLOG)  # a browser waits until the trip has been read
    except (OSError, OverflowError) as exc:
        held.close()
        why = getattr(exc, "strerror", None) or exc
        message = f"--port {port}: cannot be used ({why}); omit it to use a free port"
        raise PlannerError(message) from exc
    return held


async def _run(server: uvicorn.Server, held: socket.socket, windows: Windows, *, stay: bool) -> None:
    """Serve, and stop some time after the last window was closed."""
    watch = None if stay else asyncio.create_task(_watch(server, windows))
    try:
        await server.serve(sockets=[held])
    finally:
        if watch is not None:
            watch.cancel()


async def _watch(server: uvicorn.Server, windows: Windows) -> None:
    alone_s = 0.0
    while not server.should_exit:
        await asyncio.sleep(1.0)
        alone_s = alone_s + 1.0 if windows.ever and not windows.queues else 0.0
        if alone_s >= _ALONE_S:
            server.should_exit = True
