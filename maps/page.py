"""One self-contained HTML page from a scene and a base map.

Text from outside reaches the page on two ways only: into the data block, which the page's own script shows as text, or
escaped into headings and tables. None of it passes through folium's templates, which would run what they find in it.
"""

import base64
import hashlib
import html
import json
import re
from importlib.resources import files
from string import Template as Form
from typing import Any

import folium
import numpy as np
from branca.element import Element, Figure
from folium.template import Template

from maps.basemap import Basemap, Line
from maps.chart import pack
from maps.direction import isolated
from maps.scene import Day, Scene, Table
from maps.still import draw

MAP_ID = "route"
TOPO_ID = "topo"
BASE_DIGITS = 3
MOST_COLUMNS = 8
SCRIPTS = ("map.js", "chart.js", "now.js", "page.js")
TOPO_HOST = "https://basemap.nationalmap.gov"
TOPO_URL = TOPO_HOST + "/arcgis/rest/services/USGSTopo/MapServer/tile/{z}/{y}/{x}"
TOPO_CREDIT = "Tiles courtesy of the U.S. Geological Survey"
TOPO_DEEPEST_ZOOM = 16  # ASSUMED: deepest level with drawn tiles; beyond it tiles are enlarged
POLICY_MARK = "POLICY-FOLLOWS"
POLICY = (
    "default-src 'none'; script-src {scripts}; style-src {styles}; "
    "img-src data: {host}; base-uri 'none'; form-action 'none'"
)
UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff\u202a-\u202e\u2066-\u2069]")


class Page(Figure):  # type: ignore[misc,unused-ignore]
    """A whole document; replaces the frame that folium would draw."""

    _template = Template(
        '<!DOCTYPE html>\n<html lang="{{ this.lang }}">\n<head>\n{{ this.header.render(**kwargs) }}\n</head>\n'
        "<body>\n{{ this.html.render(**kwargs) }}\n<script>{{ this.script.render(**kwargs) }}</script>\n"
        "</body>\n</html>\n"
    )

    def __init__(self, lang: str) -> None:
        super().__init__()
        self.lang = lang
        self.header = Verbatim("")
        self.header._parent = self


class Verbatim(Element):  # type: ignore[misc,unused-ignore]
    """Text put into the page as it is, never read as a template."""

    _template = Template("{{ this.text }}{% for child in this._children.values() %}{{ child.render() }}{% endfor %}")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class OfflineMap(folium.Map):  # type: ignore[misc,unused-ignore]
    """A folium map that loads nothing and leaves the frame of the page to `Page`."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - folium declares it as a plain list
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        "{% macro html(this, kwargs) %}<div id={{ this.get_name()|tojson }}></div>{% endmacro %}"
        "{% macro script(this, kwargs) %}const {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, "
        "{center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }}});{% endmacro %}"
    )


def render(scene: Scene, *, basemap: Basemap) -> str:
    """Draw a scene as one HTML document that needs no other file.

    Parameters
    ----------
    scene : Scene
        What to draw. [-]
    basemap : Basemap
        Outlines under the route. [-]

    Returns
    -------
    str
        The document; the same scene and base map always give the same text. [-]
    """
    page, drawn = Page(scene.language), _leaflet_map(scene, basemap)
    page.add_child(drawn)
    page.header.add_child(Verbatim(_head(scene)))
    before, after = _body(scene, basemap)
    page.html.add_child(Verbatim(before))
    page.script.add_child(Verbatim(_asset("static/leaflet.js").replace("//# sourceMappingURL=leaflet.js.map", "")))
    drawn.render()  # type: ignore[no-untyped-call,unused-ignore]
    page.html.add_child(Verbatim(after + _data_block(scene, basemap)))
    page.script.add_child(Verbatim(_own_script()))
    page._children.clear()  # drawn already; the frame would draw it again
    return _with_policy(str(page.render()))


def _leaflet_map(scene: Scene, basemap: Basemap) -> OfflineMap:
    """Leaflet map without layers, and the optional online layer beside it, both with fixed names."""
    south, west, north, east = scene.bounds()
    drawn = OfflineMap(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=None,
        zoom_start=5,
        max_zoom=18,
        zoom_snap=0.25,
        zoom_delta=0.5,
        max_bounds=True,
        min_lat=basemap.box[0],
        min_lon=basemap.box[1],
        max_lat=basemap.box[2],
        max_lon=basemap.box[3],
    )
    topo = folium.TileLayer(
        tiles=TOPO_URL, attr=TOPO_CREDIT, max_zoom=18, max_native_zoom=TOPO_DEEPEST_ZOOM, control=False, show=False
    )
    drawn._id, topo._id = MAP_ID, TOPO_ID
    drawn.add_child(topo)
    return drawn


def _head(scene: Scene) -> str:
    """Policy first, then title and styles."""
    outside = re.compile(r"[^{}]*\{[^{}]*url\([^{}]*\}")  # rules that name pictures or the old VML; none is used
    leaflet = outside.sub("", re.sub(r"/\*.*?\*/", "", _asset("static/leaflet.css"), flags=re.DOTALL))
    return (
        f'<meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" content="{POLICY_MARK}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n<meta name="referrer" content="no-referrer">\n'
        f"<title>{text(scene.title)}</title>\n<style>{leaflet}</style>\n<style>{_asset('templates/page.css')}</style>"
    )


def _body(scene: Scene, basemap: Basemap) -> tuple[str, str]:
    """Markup before and after the map itself."""
    cautions = _bullets(scene.cautions)
    form = Form(_asset("templates/body.html")).substitute(
        title=text(scene.title),
        lead=text(scene.lead),
        facts=_bullets(scene.facts),
        spots=_spots(scene),
        options="".join(f'<option value="{n}">{text(day.title)}</option>' for n, day in enumerate(scene.days)),
        printed_cautions=_printed(cautions),
        cautions=f'<section class="cautions"><h2>Cautions</h2>{cautions}</section>' if cautions else "",
        still=draw(scene, basemap, escape=text),
        tables="".join(f'<section class="sheet">{_table_markup(one)}</section>' for one in scene.tables),
        appendix="".join(f'<section class="sheet appendix">{_table_markup(one)}</section>' for one in scene.appendix),
        days="".join(_day_markup(number, day, cautions) for number, day in enumerate(scene.days)),
        sources="".join(f"<p>{text(source)}</p>" for source in scene.attributions),
        topo=text(TOPO_CREDIT),
        generated=text(scene.generated),
    )
    before, after = form.split("<!-- map -->")
    return before, after


def _day_markup(number: int, day: Day, cautions: str) -> str:
    """Section of one day: heading, summary, tables, and the cautions for the printed sheet."""
    tables = "".join(_table_markup(one, f"{day.title}, ") for one in day.tables)
    return (
        f'<section class="sheet day" id="day-{number}" aria-labelledby="day-{number}-title">'
        f'<div class="day-head"><h2 id="day-{number}-title">{text(day.title)}</h2>'
        f'<button type="button" class="needs-script" data-day="{number}" aria-describedby="day-{number}-title">'
        f"Show on map</button></div>"
        f"{_paragraphs(day.summary)}{tables}{_printed(cautions)}</section>"
    )


def _printed(cautions: str) -> str:
    """Repeat the cautions on a printed sheet."""
    return f'<div class="print-only"><h3>Cautions</h3>{cautions}</div>' if cautions else ""


def _table_markup(table: Table, where: str = "") -> str:
    """One table with its title, in a frame that scrolls sideways by itself; a wide one folds its rows on a phone."""
    wide = len(table.headings) > MOST_COLUMNS

    def role(name: str) -> str:  # rows that are folded would else be no rows to a screen reader
        return f' role="{name}"' if wide else ""

    headings = "".join(f'<th scope="col"{role("columnheader")}>{text(heading)}</th>' for heading in table.headings)
    cell, row = f"<td{role('cell')}>", f"<tr{role('row')}>"
    rows = "".join(row + "".join(f"{cell}{text(one)}</td>" for one in line) + "</tr>" for line in table.rows)
    note = f'<p class="note">{text(table.note)}</p>' if table.note else ""
    kind = ' class="folds" role="table"' if wide else ""
    part = role("rowgroup")
    return (
        f'<div class="table-frame" role="region" tabindex="0" aria-label="{text(where + table.title)}"><table{kind}>'
        f"<caption>{text(table.title)}</caption><thead{part}>{row}{headings}</tr></thead><tbody{part}>{rows}</tbody>"
        f"</table></div>{note}"
    )


def _data_block(scene: Scene, basemap: Basemap) -> str:
    """Everything the script draws, as JSON that cannot end its own element."""
    data = pack(scene) | {
        "distance_unit": scene.distance_unit,
        "elevation_unit": scene.elevation_unit,
        "level_words": list(scene.level_words),
        "band_words": scene.band_words,
        "rules": list(scene.rules),
        "days": [{"title": day.title, "advice": list(day.advice)} for day in scene.days],
        "markers": [
            {"lat": m.lat, "lon": m.lon, "label": m.label, "kind": m.kind, "text": m.text, "day": m.day}
            for m in scene.markers
        ],
        "base": _packed_base(basemap),
    }
    made = json.dumps(_cleaned(data), sort_keys=True, allow_nan=False, separators=(",", ":"))
    safe = made.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
    return f'<script type="application/json" id="scene-data">{safe}</script>'


def _packed_base(basemap: Basemap) -> dict[str, Any]:
    """Pack the outlines as whole steps, longitude and latitude in turn."""

    def steps(line: Line) -> list[int]:
        whole = np.rint(line * 10.0**BASE_DIGITS).astype(np.int64)
        moves: list[int] = np.diff(whole, axis=0, prepend=0).ravel().tolist()
        return moves

    layers = {
        name: [steps(line) for line in getattr(basemap, name)] for name in ("land", "coasts", "borders", "states")
    }
    labels = [{"text": one.text, "lat": one.lat, "lon": one.lon, "size": one.size} for one in basemap.labels]
    return {"digits": BASE_DIGITS, "box": list(basemap.box), "labels": labels, **layers}


def _own_script() -> str:
    """Our own script files as one closed block, handed the map and the online layer."""
    parts = "\n".join(_asset(f"templates/{name}") for name in SCRIPTS)
    return f'\n(function (map, topo) {{\n"use strict";\n{parts}\n}})(map_{MAP_ID}, tile_layer_{TOPO_ID});\n'


def _with_policy(document: str) -> str:
    """Put the content policy in place: only the scripts and styles written here may act."""

    def hashes(element: str) -> str:
        blocks = re.findall(rf"<{element}>(.*?)</{element}>", document, flags=re.DOTALL)
        return " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(b.encode()).digest()).decode()}'" for b in blocks)

    policy = POLICY.format(scripts=hashes("script"), styles=hashes("style"), host=TOPO_HOST)
    return document.replace(POLICY_MARK, policy, 1)


def _cleaned(value: Any) -> Any:
    """Make every text of a structure showable: no sign that turns the direction of writing but those set here."""
    if isinstance(value, str):
        return isolated(UNPRINTABLE.sub("\ufffd", value))
    if isinstance(value, dict):
        return {key: _cleaned(one) for key, one in value.items()}
    return [_cleaned(one) for one in value] if isinstance(value, list) else value


def text(raw: str) -> str:
    """Escape text for a heading, a cell or an attribute.

    Parameters
    ----------
    raw : str
        Any text. [-]

    Returns
    -------
    str
        The same text as HTML. [-]

    Examples
    --------
    >>> text("<b>Hot & high")
    '&lt;b&gt;Hot &amp; high'
    """
    return html.escape(isolated(UNPRINTABLE.sub("\ufffd", raw)), quote=True)


def _paragraphs(raw: str) -> str:
    """Escape text and make a paragraph of every line."""
    return "".join(f"<p>{text(line)}</p>" for line in raw.split("\n") if line.strip())


def _spots(scene: Scene) -> str:
    """List the lines that lead to markers, each by the kind of its marker; the script turns them into buttons."""
    items = "".join(
        f'<li class="spot-{scene.markers[one.marker].kind}" data-marker="{one.marker}">{text(one.text)}</li>'
        for one in scene.spots
    )
    return f'<ul class="spots">{items}</ul>' if items else ""


def _bullets(lines: tuple[str, ...]) -> str:
    """Escape lines and make a list of them; nothing for no lines."""
    return "<ul>" + "".join(f"<li>{text(line)}</li>" for line in lines) + "</ul>" if lines else ""


def _asset(name: str) -> str:
    """Read a file of this package; line ends are plain newlines, as the hashes of the policy need."""
    return (files("maps") / name).read_text(encoding="utf-8").replace("\r\n", "\n")
