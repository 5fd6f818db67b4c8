"""A hundred names that would run, load or break something, wherever text is taken: they show, and do nothing."""

import json
import subprocess
from dataclasses import replace
from pathlib import Path

from browsing import ARGS, CHROMIUM, needs_browser, turn_to

from maps.basemap import load
from maps.page import render
from maps.scene import (
    Advice,
    Ahead,
    Day,
    Grade,
    Marker,
    Milestone,
    Road,
    Scene,
    Series,
    Spot,
    Stretch,
    Table,
    Town,
    Track,
    Way,
)

OUTLINES = Path(__file__).parents[2] / "data" / "basemap"
NAMES = tuple((Path(__file__).parent / "hostile.txt").read_text(encoding="utf-8").splitlines())
COUNT = len(NAMES)

pytestmark = needs_browser


def hostile_scene(names=NAMES) -> Scene:
    """One point, marker, milestone, leg and row a name; every text of the page is one of them."""
    points = range(len(names))
    table = Table(title=names[0], headings=(names[1],), rows=tuple((name,) for name in names), note=names[2])
    stones = tuple(Milestone(point=i, title=names[i], text=names[-1 - i]) for i in points)
    series = Series(label=names[3], values=tuple(190.0 + i % 9 for i in points), unit=names[4])
    return Scene(
        title=names[5],
        lead=names[6],
        distance_unit=names[7],
        elevation_unit=names[8],
        facts=names[:3],
        spots=tuple(Spot(text=names[i], marker=i) for i in range(3)),
        cautions=names[:5],
        track=Track(
            lat=tuple(36.0 + 0.06 * i for i in points),
            lon=tuple(-100.0 - 0.15 * i for i in points),
            distance=tuple(10.0 * i for i in points),
            elevation=tuple(3000.0 + 40.0 * (i % 30) for i in points),
            clock=names,
            group=tuple(points),
            day=tuple(i * 5 // len(names) for i in points),
            minutes=tuple(12.0 * i for i in points),
            series=(series,),
            group_labels=names,
        ),
        stretches=tuple(
            Stretch(
                start=i,
                end=i + 1,
                level=("ample", "thin", "exceeded", "unknown")[i % 4],
                title=names[i],
                popup=names[-1 - i],
            )
            for i in points[:-1]
        ),
        markers=tuple(
            Marker(
                lat=36.0 + 0.06 * i,
                lon=-100.0 - 0.15 * i,
                label=names[i],
                text=names[-1 - i],
                kind="hot" if i < 3 else "night",
            )
            for i in points
        ),
        days=tuple(
            Day(
                title=names[10 * i],
                short=names[10 * i + 2],
                summary=f"{names[10 * i + 1]}\n{names[10 * i + 3]}",
                tables=(table,),
                advice=tuple(Advice(text=name) for name in names[:9]),
                headings=names[:6],
                way=tuple(Way(point=20 * i + k, cells=names[k : k + 6]) for k in range(3)),
                closest=(0,),
            )
            for i in range(5)
        ),
        card=(table,),
        tables=(replace(table, to_days=False),),
        grades=tuple(
            Grade(start=i, end=i + 3, title=names[i], text=names[i + 1], level="thin") for i in range(0, 90, 9)
        ),
        roads=tuple(Road(name=names[i], lat=(36.0 + 0.06 * i, 37.0), lon=(-100.0 - 0.15 * i, -99.0)) for i in range(9)),
        towns=tuple(Town(name=names[i], lat=36.2 + 0.06 * i, lon=-100.0 - 0.15 * i, weight=1.0) for i in range(9)),
        key=names[25],
        appendix=(table,),
        places=stones,
        ahead=(Ahead(heading=names[9], behind=names[10], milestones=stones),),
        rules=names[11:15],
        band_words=names[16],
        level_words=(names[17], names[18], names[19], names[26]),
        attributions=names[20:23],
        generated=names[24],
    )


def written(folder: Path, scene: Scene) -> Path:
    path = folder / "page.html"
    path.write_text(render(scene, basemap=load(OUTLINES, scene.bounds())), encoding="utf-8")
    return path


def test_there_are_a_hundred_different_names():
    assert len(NAMES) == len(set(NAMES)) == 100


def test_a_hundred_hostile_names_show_and_do_nothing(browse, tmp_path):
    path = written(tmp_path, hostile_scene())
    page = browse(path)
    assert page.locator("h1").inner_text() == NAMES[5]
    assert page.title() == NAMES[5]
    assert page.locator(".facts li").all_text_contents() == list(NAMES[:3])
    assert page.locator(".spots button").all_text_contents() == list(NAMES[:3])
    cells = page.locator("#view-map table").first.locator("td").all_text_contents()
    assert cells == list(NAMES)
    shown = page.evaluate(
        """() => {
          const seen = [];
          for (const pin of document.querySelectorAll(".pin-box")) {
            pin.click();
            seen.push(document.querySelector(".leaflet-popup-pane .leaflet-popup:last-child h3").textContent);
          }
          return seen.sort();
        }"""
    )
    assert shown == sorted(NAMES)
    turn_to(page, "now")
    for i in range(COUNT):
        page.locator("#now-place").select_option(str(i))
    assert page.locator("#now-ahead dt").first.text_content() == NAMES[9]
    assert NAMES[0] in page.locator("#now-ahead dd").last.text_content()
    for day in range(5):
        page.locator("#day-choice").select_option(str(day))
    for path_hit in page.locator("#map_route path.hit").all()[::10]:
        path_hit.dispatch_event("click")
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(300)
    assert page.evaluate("({}).polluted === undefined")
    strange = page.locator("iframe, object, embed, form:not(#read-form), base, link")
    assert page.locator("img").count() == strange.count() == 0
    assert page.trouble == []
    assert page.requested == [path.as_uri()]


# --- what the browser's own network log says, which also counts what a policy stops too late ---


def outside_requests(folder: Path, page_file: Path) -> set[str]:
    """Addresses that a page asked for, from the log of Chromium's network stack; the browser's own are left out."""
    log = folder / "net.json"
    command = [CHROMIUM, "--headless", *ARGS, f"--user-data-dir={folder / 'profile'}", f"--log-net-log={log}"]
    command += ["--timeout=1500", f"--screenshot={folder / 'page.png'}", page_file.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    text = log.read_text(encoding="utf-8")
    events = json.loads(text if text.rstrip().endswith("}") else text.rstrip().rstrip(",") + "]}")["events"]
    urls = {str(event["params"]["url"]) for event in events if "url" in event.get("params", {})}
    own = ("googleapis.com", "google.com", "gstatic.com", "gvt1.com", "chrome://", "chrome-extension://", "file://")
    return {url for url in urls if not any(part in url for part in own) and ":" in url}


def test_the_network_log_of_a_hostile_page_is_empty(tmp_path):
    assert outside_requests(tmp_path, written(tmp_path, hostile_scene())) == set()


def test_the_network_log_would_show_a_request(tmp_path):
    leaky = tmp_path / "leaky.html"
    leaky.write_text("<img src='http://127.0.0.1:9/leak.png'>", encoding="utf-8")
    assert outside_requests(tmp_path, leaky) == {"http://127.0.0.1:9/leak.png"}
