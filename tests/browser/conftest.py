"""The worked example's page: one plan serves all tests of it."""

import json
import re
from typing import NamedTuple

import pytest
from browsing import DESKTOP


@pytest.fixture(scope="session")
def trip_page(tmp_path_factory, copy_example, run):
    folder = copy_example("wilmington-astoria", tmp_path_factory.mktemp("page") / "trip")
    assert run("plan", folder).code in (0, 1)
    return folder / "out" / "trip.html"


@pytest.fixture
def opened(browse, trip_page):
    return lambda size=DESKTOP, **options: browse(trip_page, size, offline=True, **options)


@pytest.fixture(scope="session")
def scene(trip_page):
    """What the page knows."""
    text = trip_page.read_text(encoding="utf-8")
    return json.loads(re.search(r'id="scene-data">(.*?)</script>', text, re.DOTALL)[1])


class Grade(NamedTuple):
    """The climb to the place with the smallest margin: its day counts from 1."""

    top: str
    foot: str
    day: int
    start: int
    end: int
    top_point: int
    after: str  # the place after the last change worth making that day
    sheet: str


@pytest.fixture(scope="session")
def grade(trip_page, scene):
    spot = r'<ul class="spots"><li class="spot-(?:hot|over)" data-marker="(\d+)">'
    marker = scene["markers"][int(re.search(spot, trip_page.read_text("utf-8"))[1])]
    found = next(one for one in scene["grades"] if one["title"] == marker["label"])
    last = max(one["until"] for one in scene["days"][marker["day"]]["advice"])
    return Grade(
        top=marker["label"],
        foot=[one["title"] for one in scene["places"] if one["point"] < found["start"]][-1],
        day=marker["day"] + 1,
        start=found["start"],
        end=found["end"],
        top_point=next(one["point"] for one in scene["places"] if one["title"] == marker["label"]),
        after=next(one["title"] for one in scene["places"] if one["point"] > max(last, found["end"])),
        sheet=f"day-{marker['day'] + 1}",
    )
