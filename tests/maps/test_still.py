"""The picture for readers without script: well-formed, small, in its frame, names as text."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from maps.basemap import Basemap, load
from maps.page import text
from maps.scene import Marker, Stretch
from maps.still import WIDTH, draw

OUTLINES = Path(__file__).parents[2] / "data" / "basemap"
PLAIN_GROUND = Basemap(box=(30.0, -112.0, 44.0, -98.0))
HOSTILE = "</text></svg><script>"


def parts(picture: str) -> list[ET.Element]:
    return list(ET.fromstring(picture).iter())


def numbers(path: str) -> list[float]:
    return [float(one) for one in re.findall(r"-?\d+\.?\d*", path)]


def test_the_picture_is_well_formed_and_small(make_scene):
    scene = make_scene()
    picture = draw(scene, load(OUTLINES, scene.bounds()), escape=text)
    root = ET.fromstring(picture)
    assert root.tag == "svg"
    assert root.attrib["role"] == "img"
    assert len(picture) < 40_000
    assert "style=" not in picture


def test_the_route_and_its_small_margins_lie_in_the_frame(make_scene):
    scene = make_scene(stretches=(Stretch(start=0, end=20, level="ample"), Stretch(start=20, end=39, level="exceeded")))
    picture = draw(scene, PLAIN_GROUND, escape=text)
    drawn = {one.attrib["class"]: one for one in parts(picture) if one.tag == "path" and one.attrib["d"]}
    assert {"route-plain", "level-ample", "level-exceeded"} <= set(drawn)
    assert float(drawn["level-exceeded"].attrib["stroke-width"]) > float(drawn["level-ample"].attrib["stroke-width"])
    height = float(ET.fromstring(picture).attrib["viewBox"].split()[3])
    values = numbers(drawn["route-plain"].attrib["d"])
    assert all(0.0 <= x <= WIDTH for x in values[::2])
    assert all(0.0 <= y <= height for y in values[1::2])
    # North is up and east is right: this route runs north-west.
    assert values[0] > values[-2]
    assert values[1] > values[-1]


def test_names_stay_text_and_do_not_lie_on_each_other(make_scene):
    close = tuple(
        Marker(lat=37.0 + 0.001 * n, lon=-105.0, label=f"{HOSTILE}{n}", kind="night" if n else "hot") for n in range(5)
    )
    picture = draw(make_scene(markers=close), PLAIN_GROUND, escape=text)
    assert "<script" not in picture
    names = [one.text for one in parts(picture) if one.tag == "text"]
    assert names == [f"{HOSTILE}0"]
    assert sum(one.tag == "circle" for one in parts(picture)) == 5


@pytest.mark.parametrize("kind", ["place", "grade", "fuel"])
def test_lesser_places_are_left_out(make_scene, kind):
    only = (Marker(lat=37.0, lon=-105.0, label="Small", kind=kind),)
    assert "Small" not in draw(make_scene(markers=only), PLAIN_GROUND, escape=text)
