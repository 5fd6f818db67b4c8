"""Edits at the desk: the same files, read by the command line; nothing lost when disks or other programs interfere."""

import asyncio
import contextlib
import errno
import json
import os
import tomllib
from concurrent.futures import ThreadPoolExecutor

import pytest
from desking import until

import planner
from planner.desk import serve
from planner.desk.app import Windows
from planner.files import wholefile


def test_an_edit_reaches_the_file_and_nothing_else_in_it(minimal_desk):
    path = minimal_desk.folder / "trip.toml"
    path.write_text("# Our trip\n" + path.read_text().replace('14:00"', '14:00"  # after lunch'))
    assert until(lambda: minimal_desk.view()["words"].startswith("changed on disk"))
    before = path.read_text()
    answer = minimal_desk.edit("setting", key="departure", value="2027-07-10 15:00")
    assert answer.status_code == 200, answer.text
    assert path.read_text() == before.replace("14:00", "15:00")
    assert planner.read(minimal_desk.folder).trip.departure.hour == 15


def test_margins_move_with_an_edit_and_the_full_forecast_agrees(minimal_desk):
    was = coolant(minimal_desk.whole())
    quick = minimal_desk.edit("car", key="body.mass", value="2600 kg", source="weighed").json()
    assert quick["stage"] == "quick"
    full = coolant(minimal_desk.whole())
    assert coolant(quick) < was
    assert abs(coolant(quick) - full) < 0.3 * (was - full)
    assert [leg["level"] for leg in quick["legs"]] == [leg["level"] for leg in minimal_desk.view()["legs"]]
    assert tomllib.loads((minimal_desk.folder / "vehicle.toml").read_text())["body"]["mass"]["source"] == "weighed"


def test_the_desk_and_the_command_line_say_the_same(minimal_desk, run):
    minimal_desk.edit("leg", leg=0, column="speed", value="55")
    minimal_desk.whole()
    answer = minimal_desk.post("outputs")
    assert answer.status_code == 200, answer.text
    made = (minimal_desk.folder / "out" / "plan.json").read_text()
    assert run("plan", minimal_desk.folder).code == 0
    assert json.loads((minimal_desk.folder / "out" / "plan.json").read_text()) == json.loads(made)


def test_undo_gives_back_every_byte(minimal_desk):
    files = {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir()}
    for edit in (
        {"kind": "leg", "leg": 0, "column": "speed", "value": "50"},
        {"kind": "leg", "leg": 0, "column": "low_gear", "value": "yes"},
        {"kind": "setting", "key": "day.driving", "value": "7 h"},
        {"kind": "car", "key": "cooling.cap_pressure", "value": "16 psi", "source": "cap"},
        {"kind": "reading", "cells": {"when": "2027-07-10 14:40", "coolant": "200"}},
    ):
        answer = minimal_desk.edit(**edit)
        assert answer.status_code == 200, answer.text
    assert (minimal_desk.folder / "readings.csv").exists()
    for _ in range(5):
        assert minimal_desk.post("back", revision=minimal_desk.desk.revision).status_code == 200
    left = {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir() if p.is_file()}
    assert left == files
    assert minimal_desk.post("back", revision=minimal_desk.desk.revision).status_code == 400
    assert minimal_desk.post("back", revision=minimal_desk.desk.revision, again=True).status_code == 200
    assert "50" in (minimal_desk.folder / "legs.csv").read_text()


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ({"kind": "leg", "leg": 0, "column": "speed", "value": "900"}, "speed"),
        ({"kind": "leg", "leg": 0, "column": "speed", "value": "fast"}, "speed"),
        ({"kind": "leg", "leg": 7, "column": "speed", "value": "50"}, "no such leg"),
        ({"kind": "leg", "leg": 0, "column": "profile", "value": "../../etc/passwd"}, "no such leg or column"),
        ({"kind": "setting", "key": "departure", "value": "soon"}, "departure"),
        ({"kind": "setting", "key": "fit.x", "value": "1"}, "trip.toml itself"),
        ({"kind": "car", "key": "body.mass", "value": "3 kg", "source": "x"}, "plausible"),
        ({"kind": "car", "key": "body.masss", "value": "3 kg", "source": "x"}, "unknown key"),
        ({"kind": "setting", "key": "day.driving", "value": "5 min"}, ""),
        ({"kind": "halt", "stop": 99, "minutes": 5, "engine": "off"}, "stop after the start"),
        ({"kind": "reading", "cells": {"coolant": "9000", "when": "2027-07-10 14:30"}}, "coolant"),
        ({"kind": "nothing"}, "no such edit"),
        ({"kind": "setting", "key": "name", "value": "x" * 5000}, "at most"),
    ],
)
def test_what_cannot_be_is_refused_with_nothing_written(minimal_desk, edit, said):
    files = {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir() if p.is_file()}
    revision = minimal_desk.desk.revision
    answer = minimal_desk.edit(**edit)
    assert answer.status_code == 400, answer.text
    assert said in " ".join(answer.json()["problems"])
    assert {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir() if p.is_file()} == files
    assert minimal_desk.desk.revision == revision
    assert minimal_desk.edit("setting", key="name", value="Still works").status_code == 200


def test_a_file_changed_on_disk_is_never_written_over(minimal_desk):
    """The owner's editor saves while the page is open; the edit that did not know of it is refused."""
    path = minimal_desk.folder / "legs.csv"
    desk = minimal_desk.desk
    with desk.lock:  # so that the look at the disk does not come first
        path.write_text(path.read_text().replace(",62", ",48"))
        revision = desk.revision
        desk.folder._stamps.clear()
        answer = []
        with pytest.raises(planner.model.errors.PlannerError, match="changed on disk"):
            answer.append(desk.edit(revision, "leg", {"leg": 0, "column": "speed", "value": "70"}))
    assert ",48" in path.read_text()
    assert minimal_desk.view()["legs"][0]["cells"]["speed"] == "48"


def test_a_change_on_disk_is_shown_by_itself(minimal_desk):
    path = minimal_desk.folder / "legs.csv"
    path.write_text(path.read_text().replace(",62", ",51"))
    assert until(lambda: minimal_desk.view()["legs"][0]["cells"]["speed"] == "51")


def test_a_slip_in_the_editor_is_named_and_mended(minimal_desk):
    path, good = minimal_desk.folder / "trip.toml", (minimal_desk.folder / "trip.toml").read_text()
    path.write_text(good.replace("needles", "nedles"))
    assert until(lambda: bool(minimal_desk.view()["problems"]))
    assert "nedles" in " ".join(minimal_desk.view()["problems"])
    path.write_text(good)
    assert until(lambda: not minimal_desk.view()["problems"])
    assert minimal_desk.whole()["stage"] == "whole"


def test_a_window_that_is_behind_is_told_so(minimal_desk):
    behind = minimal_desk.desk.revision
    assert minimal_desk.edit("leg", leg=0, column="speed", value="58").status_code == 200
    answer = minimal_desk.post("edit", revision=behind, kind="leg", leg=0, column="speed", value="40")
    assert answer.status_code == 409
    assert "58" in (minimal_desk.folder / "legs.csv").read_text()


def test_a_full_disk_loses_nothing(minimal_desk, monkeypatch):
    files = {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir()}

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(wholefile, "_write", full)
    answer = minimal_desk.edit("leg", leg=0, column="speed", value="50")
    assert answer.status_code == 507
    assert "No space left" in answer.json()["problems"][0]
    monkeypatch.undo()
    assert {p.name: p.read_bytes() for p in minimal_desk.folder.iterdir() if p.name in files} == files
    assert minimal_desk.edit("leg", leg=0, column="speed", value="50").status_code == 200


def coolant(view: dict) -> float:
    """Margin of the coolant on the first leg."""
    return next(left for fluid, left, _ in view["legs"][0]["margins"] if fluid == "coolant")


def test_it_stops_some_time_after_its_last_window_is_closed(monkeypatch):
    """A page that was never opened keeps it waiting; one that is open too."""

    class Server:
        should_exit = False

    server, windows = Server(), Windows()
    monkeypatch.setattr(serve, "_ALONE_S", 1.0)

    async def watched(seconds: float) -> bool:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(serve._watch(server, windows), seconds)
        return server.should_exit

    def stops_within(seconds: float) -> bool:
        with ThreadPoolExecutor(1) as apart:  # a browser test leaves an event loop in this thread
            return apart.submit(lambda: asyncio.run(watched(seconds))).result()

    assert not stops_within(1.5)
    windows.ever = True
    windows.queues.add(asyncio.Queue())
    assert not stops_within(1.5)
    windows.queues.clear()
    assert stops_within(3.0)


def test_a_trip_is_started_from_an_example(open_desk, tmp_path):
    held = open_desk(tmp_path / "new")
    assert held.client.get("/api/start").json()["empty"] is True
    assert held.post("new", example="minimal").status_code == 200
    assert held.whole()["title"] == "Needles to Kingman"
    assert held.post("new", example="minimal").status_code == 400  # nothing is overwritten


def test_states_can_be_compared(minimal_desk):
    minimal_desk.whole()
    assert minimal_desk.edit("car", key="body.mass", value="2300 kg", source="scale").status_code == 200
    minimal_desk.whole()
    states = minimal_desk.client.get("/api/states").json()["states"]
    assert states[0]["words"] == "as opened"
    assert states[-1]["fluids"]["coolant"][0] < states[0]["fluids"]["coolant"][0]
