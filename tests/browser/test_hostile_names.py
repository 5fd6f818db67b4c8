"""A hundred names that would run, load or break something, wherever text is taken: they show, and do nothing."""

import json
import subprocess
from pathlib import Path

from browsing import ARGS, CHROMIUM, needs_browser, turn_to
from scenes import NAMES, scene_of_names

from maps.basemap import load
from maps.page import render

OUTLINES = Path(__file__).parents[2] / "data" / "basemap"

pytestmark = needs_browser


def written(folder: Path, scene) -> Path:
    path = folder / "page.html"
    path.write_text(render(scene, basemap=load(OUTLINES, scene.bounds())), encoding="utf-8")
    return path


def test_there_are_a_hundred_different_names():
    assert len(NAMES) == len(set(NAMES)) == 100


def test_a_hundred_hostile_names_show_and_do_nothing(browse, tmp_path):
    path = written(tmp_path, scene_of_names(NAMES))
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
    for i in range(len(NAMES)):
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
    assert outside_requests(tmp_path, written(tmp_path, scene_of_names(NAMES))) == set()


def test_the_network_log_would_show_a_request(tmp_path):
    leaky = tmp_path / "leaky.html"
    leaky.write_text("<img src='http://127.0.0.1:9/leak.png'>", encoding="utf-8")
    assert outside_requests(tmp_path, leaky) == {"http://127.0.0.1:9/leak.png"}
