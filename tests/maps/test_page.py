"""The page as text: hostile names stay text, nothing is loaded, the policy fits, equal scenes give equal bytes."""

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest
from scenes import NAMES, scene_of_names

from maps.basemap import Basemap, load
from maps.direction import isolated
from maps.page import TOPO_HOST, render
from maps.scene import Day, Marker, Spot

ROOT = Path(__file__).parents[2]
PLAIN_GROUND = Basemap(box=(30.0, -112.0, 44.0, -98.0))
LEAFLET = (files("maps") / "static" / "leaflet.js").read_text(encoding="utf-8").split("//# sourceMappingURL")[0]

HOSTILE = (
    *NAMES,
    *("</style><script>alert(1)</script>", "<!-- <script>", "{%- raw -%}", "POLICY-FOLLOWS", "<!-- map -->"),
    *("$title $lead ${facts} $$", "line\u2028separator\u2029end", "Zürich – Šibenik – 東京 – עיר"),
)
UNPRINTABLE = ("null\x00byte", "half \ud800 pair", "turned \u202e txet", "bell\x07")


class Reader(HTMLParser):
    """Collect elements, attributes and the text of each kind of element."""

    def __init__(self, document):
        super().__init__()
        self.elements, self.attributes, self.texts, self.open = [], [], {}, []
        self.feed(document)

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in {"meta", "input", "img", "link", "br"}:
            self.open.append(tag)
            self.texts.setdefault(tag, []).append("")

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_data(self, data):
        if self.open:
            self.texts[self.open[-1]][-1] += data

    def shape(self):
        """Elements and attributes but for the words on the still picture: as many as have room beside each other."""
        attributes = [(tag, name) for tag, name, _ in self.attributes if tag != "text"]
        return [tag for tag in self.elements if tag != "text"], attributes


def island(document):
    (text,) = re.findall(r'<script type="application/json" id="scene-data">(.*?)</script>', document, flags=re.DOTALL)
    return text


def filled(name):
    """A page with one text in every place that takes text."""
    return render(scene_of_names((name,) * 50), basemap=PLAIN_GROUND)


@pytest.fixture(scope="module")
def plain():
    return Reader(filled("Plain"))


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_text_stays_text_everywhere(plain, name):
    document = filled(name)
    page, name = Reader(document), isolated(name)
    assert page.shape() == plain.shape()
    assert page.texts["title"] == [name]
    assert page.texts["h1"] == [name]
    assert set(page.texts["td"]) == {name}
    data = json.loads(island(document))
    assert data["markers"][0]["label"] == name
    assert data["stretches"][0]["popup"] == name
    assert data["track"]["series"][0]["label"] == name
    assert data["ahead"][0]["milestones"][0]["text"] == name
    assert data["days"][0]["advice"] == [{"text": name, "until": -1, "watch": False}] * 9
    assert data["grades"][0]["title"] == data["roads"][0]["name"] == data["towns"][0][0] == name
    assert set(page.texts.get("text", ())) <= {name}  # the still picture writes what has room


@pytest.mark.parametrize("name", UNPRINTABLE)
def test_unprintable_characters_are_replaced(name):
    document = filled(name)
    assert name not in document
    assert "\ufffd" in Reader(document).texts["h1"][0]
    assert "\ufffd" in json.loads(island(document))["markers"][0]["label"]
    document.encode("utf-8")


def test_the_data_block_holds_no_markup():
    text = island(filled("</script><script>alert(1)</script>&"))
    assert not set("<>&") & set(text)
    assert text.isascii()


def test_nothing_is_loaded_from_anywhere(make_scene):
    document = render(make_scene(), basemap=load(ROOT / "data" / "basemap", make_scene().bounds()))
    own = document.replace(LEAFLET, "")
    assert len(own) < len(document)
    page = Reader(own)
    assert not {"link", "img", "iframe", "object", "embed", "base"} & set(page.elements)
    assert page.elements.count("form") <= 1  # that of the readings, which goes nowhere
    links = [
        (tag, value) for tag, name, value in page.attributes if name in {"src", "href", "srcset", "action", "style"}
    ]
    assert {tag for tag, _ in links} == {"a"}
    assert all(re.fullmatch(r"#[a-z0-9-]+", value) for _, value in links)
    assert "url(" not in own
    assert "@import" not in own
    assert {one.rstrip("/") for one in re.findall(r"https?://[\w.-]+", own)} == {TOPO_HOST, "http://www.w3.org"}


def test_the_vendored_script_names_only_its_home_and_a_namespace():
    # Leaflet's home stands in a credit line which the page switches off; the other is the name of SVG.
    assert set(re.findall(r"https?://[^\s\"'<>)]+", LEAFLET)) == {"https://leafletjs.com", "http://www.w3.org/2000/svg"}
    assert "</script" not in LEAFLET
    assert "<!--" not in LEAFLET


def test_the_policy_comes_first_and_fits_every_script_and_style(make_scene):
    document = render(make_scene(), basemap=PLAIN_GROUND)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', document)
    assert policy is not None
    assert policy.start() < min(document.index("<style"), document.index("<script"), document.index("<title"))
    assert policy[1].startswith("default-src 'none'; ")
    assert "unsafe" not in policy[1]
    for element in ("script", "style"):
        for block in re.findall(rf"<{element}>(.*?)</{element}>", document, flags=re.DOTALL):
            digest = base64.b64encode(hashlib.sha256(block.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in policy[1]
    assert re.findall(r"https?://[^\s;]+", policy[1]) == [TOPO_HOST]


def test_the_frame_of_the_page_serves_readers(make_scene):
    page = Reader(render(make_scene(language="de-AT"), basemap=PLAIN_GROUND))
    attributes = {(tag, name): value for tag, name, value in page.attributes}
    assert attributes["html", "lang"] == "de-AT"
    assert page.elements.count("h1") == page.elements.count("main") == page.elements.count("title") == 1
    viewports = [value for _, name, value in page.attributes if name == "content" and "width=device-width" in value]
    assert len(viewports) == 1
    assert "user-scalable" not in viewports[0]
    assert "maximum-scale" not in viewports[0]
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))


def test_the_tables_are_there_without_any_script(make_scene):
    document = render(make_scene(), basemap=PLAIN_GROUND)
    assert "<td>Alamosa</td>" in document
    assert "<noscript>" in document


def test_a_scene_without_extras_is_drawn(make_scene):
    bare = make_scene(
        lead="", facts=(), cautions=(), stretches=(), markers=(), days=(Day(title="1"), Day(title="2")), tables=()
    )
    document = render(bare, basemap=PLAIN_GROUND)
    assert "Cautions" not in document


def test_every_day_sheet_repeats_the_cautions(make_scene):
    document = render(make_scene(cautions=("Mind the gauge.",)), basemap=PLAIN_GROUND)
    # On the screen with the alarms, which is the first printed sheet, and on the sheets of two days.
    assert document.count("<li>Mind the gauge.</li>") == 1 + 2


SCRIPT = """
import hashlib, sys
sys.path[:0] = [sys.argv[1], sys.argv[1] + "/tests/maps"]
from pathlib import Path
from conftest import small_scene
from maps.basemap import load
from maps.page import render
scene = small_scene()
document = render(scene, basemap=load(Path(sys.argv[1]) / "data" / "basemap", scene.bounds()))
sys.stdout.write(hashlib.sha256(document.encode()).hexdigest())
"""


def test_the_same_scene_gives_the_same_bytes_in_every_process():
    made = [
        subprocess.run(
            [sys.executable, "-c", SCRIPT, str(ROOT)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    ]
    assert made[0] == made[1]
    assert len(made[0]) == 64


def test_drawing_leaves_folium_as_it_was(make_scene):
    import folium

    before = list(folium.Map.default_js), list(folium.Map.default_css)
    render(make_scene(), basemap=PLAIN_GROUND)
    assert (list(folium.Map.default_js), list(folium.Map.default_css)) == before
    assert before[0]


def test_a_button_to_a_place_past_its_limit_differs_from_that_to_a_thin_one_in_more_than_colour(make_scene):
    css = (files("maps") / "templates" / "page.css").read_text(encoding="utf-8")
    rule = re.search(r"\.spots \.spot-over \{(.*?)\}", css)[1]
    assert "double" in rule
    marker = Marker(lat=44.0, lon=-106.0, label="Pass", kind="over", text="Hot.")
    scene = make_scene(
        markers=(marker, replace(marker, kind="hot")), spots=(Spot(text="A", marker=0), Spot(text="B", marker=1))
    )
    page = render(scene, basemap=PLAIN_GROUND)
    assert '<li class="spot-over" data-marker="0">' in page
    assert '<li class="spot-hot" data-marker="1">' in page
