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

from maps.basemap import Basemap, load
from maps.direction import isolated
from maps.page import TOPO_HOST, render
from maps.scene import Advice, Ahead, Day, Grade, Marker, Milestone, Road, Series, Spot, Stretch, Table, Town, Way

ROOT = Path(__file__).parents[2]
PLAIN_GROUND = Basemap(box=(30.0, -112.0, 44.0, -98.0))
LEAFLET = (files("maps") / "static" / "leaflet.js").read_text(encoding="utf-8").split("//# sourceMappingURL")[0]

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "<script>alert(1)</script>",
    "</script><script>alert(1)</script>",
    "</title><img src=x onerror=alert(1)>",
    "</style><script>alert(1)</script>",
    "<!-- <script>",
    "--><svg onload=alert(1)>",
    '"><iframe src="javascript:alert(1)"></iframe>',
    "' onmouseover='alert(1)",
    '" autofocus onfocus="alert(1)',
    "${alert(1)}",
    "`+alert(1)+`",
    "\\u003cimg src=x onerror=alert(1)\\u003e",
    "\\'-alert(1)//",
    "{{ 7*7 }}",
    "{{ cycler.__init__.__globals__.os.getpid() }}",
    "{% if %}",
    "{{ x",
    "{# open",
    "{%- raw -%}",
    "$title $lead ${facts} $$",
    "POLICY-FOLLOWS",
    "<!-- map -->",
    "&lt;b&gt; &amp; &#x3c;",
    "javascript:alert(1)",
    "data:text/html,<script>alert(1)</script>",
    "line\u2028separator\u2029end",
    "Zürich – Šibenik – 東京 – עיר",
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


def island(document):
    (text,) = re.findall(r'<script type="application/json" id="scene-data">(.*?)</script>', document, flags=re.DOTALL)
    return text


def filled(make_scene, make_track, name):
    """A scene with one text in every place that takes text."""
    series = Series(label=name, values=tuple(float(i) for i in range(40)), unit=name)
    table = Table(title=name, headings=(name, name), rows=((name, name),), note=name)
    return make_scene(
        title=name,
        lead=name,
        distance_unit=name,
        elevation_unit=name,
        facts=(name,),
        spots=(Spot(text=name, marker=0),),
        card=(table,),
        appendix=(table,),
        grades=(Grade(start=0, end=9, title=name, text=name),),
        roads=(Road(name=name, lat=(37.0, 38.0), lon=(-105.0, -105.5)),),
        towns=(Town(name=name, lat=37.5, lon=-105.2, weight=1.0),),
        key=name,
        places=(Milestone(point=0, title=name),),
        ahead=(Ahead(heading=name, behind=name, milestones=(Milestone(point=9, title=name, text=name),)),),
        rules=(name,),
        band_words=name,
        cautions=(name,),
        track=make_track(clock=(name,) * 40, group_labels=(name, name), series=(series,)),
        stretches=(Stretch(start=0, end=9, level="thin", title=name, popup=name),),
        markers=(Marker(lat=37.0, lon=-105.0, label=name, text=name, detail=name, kind="hot"),),
        days=(
            Day(
                title=name,
                short=name,
                summary=f"{name}\n{name}",
                tables=(table,),
                advice=(Advice(text=name), Advice(text=name)),
                headings=(name,) * 6,
                way=(Way(point=3, cells=(name,) * 6),),
                way_note=name,
            ),
            Day(title=name),
        ),
        tables=(replace(table, to_days=True),),
        level_words=(name,) * 4,
        attributions=(name,),
        generated=name,
    )


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_text_stays_text_everywhere(make_scene, make_track, name):
    document = render(filled(make_scene, make_track, name), basemap=PLAIN_GROUND)
    plain = Reader(render(filled(make_scene, make_track, "Plain"), basemap=PLAIN_GROUND))
    page, name = Reader(document), isolated(name)
    assert page.elements == plain.elements
    assert [(tag, key) for tag, key, _ in page.attributes] == [(tag, key) for tag, key, _ in plain.attributes]
    assert page.texts["title"] == [name]
    assert page.texts["h1"] == [name]
    assert set(page.texts["td"]) == {name, ""}  # the empty ones are lines to write on
    data = json.loads(island(document))
    assert data["markers"][0]["label"] == name
    assert data["stretches"][0]["popup"] == name
    assert data["track"]["series"][0]["label"] == name
    assert data["ahead"][0]["milestones"][0]["text"] == name
    assert data["days"][0]["advice"] == [{"text": name, "until": -1, "watch": False}] * 2
    assert data["grades"][0]["title"] == data["roads"][0]["name"] == data["towns"][0][0] == name
    assert page.texts["text"] == [name]


@pytest.mark.parametrize("name", UNPRINTABLE)
def test_unprintable_characters_are_replaced(make_scene, make_track, name):
    document = render(filled(make_scene, make_track, name), basemap=PLAIN_GROUND)
    assert name not in document
    assert "\ufffd" in Reader(document).texts["h1"][0]
    assert "\ufffd" in json.loads(island(document))["markers"][0]["label"]
    document.encode("utf-8")


def test_the_data_block_holds_no_markup(make_scene, make_track):
    text = island(render(filled(make_scene, make_track, HOSTILE[2] + "&"), basemap=PLAIN_GROUND))
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
