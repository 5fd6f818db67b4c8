"""A trip folder whose every text would run something, planned and opened in a browser; pictures too."""

import csv
import json

import pytest
from browsing import needs_browser
from scenes import NAMES

TAGS = tuple(name for name in NAMES if "<" in name and "alert" in name)
TITLE = TAGS[0] + "\u2028{{7*7}}${7*7}"

pytestmark = needs_browser


def tables(folder):
    """A chain of two dozen places, each with another name, note and road."""
    count = 24
    heads = ["place", "name", "lat", "lon", "elevation [ft]", "note", "services", "high [degF]", "low [degF]"]
    rows = [
        [
            f"p{i}",
            NAMES[i],
            34.8 + i * 0.09,
            -114.6 + i * 0.09,
            500 + 40 * i,
            NAMES[-1 - i],
            "lodging fuel food",
            104,
            80,
        ]
        for i in range(count)
    ]
    legs = [[f"p{i}", f"p{i + 1}", 18, 62, NAMES[24 + i], TAGS[i % len(TAGS)]] for i in range(count - 1)]
    for file, head, body in (
        ("places.csv", heads, rows),
        ("legs.csv", ["from", "to", "distance [mi]", "speed [mph]", "road", "note"], legs),
    ):
        with (folder / file).open("w", encoding="utf-8", newline="") as out:
            csv.writer(out).writerows([head, *body])


@pytest.fixture(scope="module")
def planned(tmp_path_factory, copy_example, run):
    folder = copy_example("minimal", tmp_path_factory.mktemp("trip") / "<img src=x onerror=alert(9)>")
    tables(folder)
    (folder / "trip.toml").write_text(
        f'name = {json.dumps(TITLE)}\nstart = "p0"\nfinish = "p23"\n'
        f'departure = "2027-07-10 09:00"\nthin = "12 K"\n[[service]]\nitem = {json.dumps(TAGS[1])}\nevery = "300 mi"\n',
        encoding="utf-8",
    )
    car = f'base = "estate-1990s-six"\nname = {json.dumps(TAGS[2])}\n'
    (folder / "vehicle.toml").write_text(car, encoding="utf-8")
    assert run("plan", folder).code in (0, 1)
    assert run("whatif", folder, "--svg", folder / "out" / "a.svg").code == 0
    return folder


def test_the_page_shows_every_text_and_does_nothing(planned, browse):
    path = planned / "out" / "trip.html"
    watched = browse(path)
    assert watched.locator("h1").inner_text().startswith(TAGS[0])
    text = watched.locator("body").text_content()
    for name in (NAMES[0], NAMES[23], TAGS[1], TAGS[2]):
        assert " ".join(name.split()) in text
    for pin in watched.locator(".pin-box").all()[:60]:
        pin.dispatch_event("click")
    for hit in watched.locator("#map_route path.hit").all()[::5]:
        hit.dispatch_event("click")
    watched.emulate_media(media="print")
    watched.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    watched.wait_for_timeout(200)
    assert (
        watched.locator(
            "iframe, object, embed, form:not(#read-form), base, link, img:not(.relief[src^='data:image/png;base64,'])"
        ).count()
        == 0
    )
    assert watched.trouble == []
    assert watched.requested == [path.as_uri()]


def test_the_picture_does_nothing(planned, browse):
    path = planned / "out" / "a.svg"
    watched = browse(path)
    watched.wait_for_timeout(200)
    assert watched.locator("svg text").count() > 3
    assert watched.trouble == []
    assert watched.requested == [path.as_uri()]
