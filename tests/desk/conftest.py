"""A desk over a copy of an example, and a client that has opened its page."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from planner.desk.app import make_app
from planner.desk.core import Desk
from planner.desk.guard import Guard

PORT = 8123
ADDRESS = f"http://127.0.0.1:{PORT}"
OWN = {"Origin": ADDRESS}


class Opened:
    """A desk, its guard, and a client with the cookie."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.desk = folder, Desk(folder)
        self.guard: Guard = make_app(self.desk)[0]
        self.guard.port = PORT
        self.client = TestClient(self.guard, base_url=ADDRESS, headers=OWN, raise_server_exceptions=False)
        self.desk.start()
        assert self.client.get(f"/?token={self.guard.token}").status_code == 200

    def view(self) -> dict:
        return self.client.get("/api/view").json()

    def whole(self) -> dict:
        """The overview once everything has been worked out."""
        self.desk.wait_whole(120.0)
        return self.view()

    def post(self, path: str, /, **data: object):
        return self.client.post(f"/api/{path}", json=data)

    def edit(self, kind: str, **data: object):
        return self.post("edit", revision=self.desk.revision, kind=kind, **data)


@pytest.fixture
def open_desk() -> Iterator[Callable[[Path], Opened]]:
    held: list[Opened] = []

    def make(folder: Path) -> Opened:
        held.append(Opened(folder))
        return held[-1]

    yield make
    for one in held:
        one.desk.close()


@pytest.fixture
def minimal_desk(open_desk, copy_example, tmp_path: Path) -> Opened:
    return open_desk(copy_example("minimal", tmp_path / "trip"))
