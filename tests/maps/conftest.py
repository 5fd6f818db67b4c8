"""A small scene to change: give only what a test is about."""

import dataclasses

import pytest

from maps.scene import Day, Marker, Scene, Series, Stretch, Table, Track

COUNT = 40


def small_track(**changes):
    columns = {
        "lat": tuple(37.0 + 0.05 * i for i in range(COUNT)),
        "lon": tuple(-105.0 - 0.04 * i for i in range(COUNT)),
        "distance": tuple(4.0 * i for i in range(COUNT)),
        "elevation": tuple(5000.0 + 60.0 * i for i in range(COUNT)),
        "clock": tuple(f"Tue {8 + i // 10:02d}:{i % 10 * 6:02d}" for i in range(COUNT)),
        "group": tuple(i // 20 for i in range(COUNT)),
        "day": tuple(i // 20 for i in range(COUNT)),
        "series": (Series(label="Oil", values=tuple(200.0 + i for i in range(COUNT)), unit="°F"),),
        "group_labels": ("Alamosa to Salida", "Salida to Leadville"),
    }
    return Track(**(columns | changes))


def small_scene(**changes):
    table = Table(title="Legs", headings=("Place", "Leave"), rows=(("Alamosa", "08:00"),), note="All invented.")
    parts = {
        "title": "Two days in Colorado",
        "track": small_track(),
        "lead": "An easy drive.",
        "facts": ("156 mi",),
        "cautions": ("The gauge outranks the model.",),
        "stretches": (Stretch(start=0, end=20, level="thin", title="To Salida", popup="Margin 12 °F."),),
        "markers": (Marker(lat=37.0, lon=-105.0, label="Alamosa", kind="start", text="Leave early.", day=0),),
        "days": (Day(title="Day 1", summary="To Salida.", tables=(table,)), Day(title="Day 2")),
        "tables": (table,),
        "attributions": ("Invented figures.",),
        "generated": "Made 2027-07-01.",
    }
    return Scene(**(parts | changes))


@pytest.fixture
def make_track():
    return small_track


@pytest.fixture
def make_scene():
    return small_scene


@pytest.fixture
def swap():
    """Replace fields of a frozen dataclass, which checks itself again."""
    return dataclasses.replace
