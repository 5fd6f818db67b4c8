"""One self-contained HTML page from a scene and a base map.

Text from outside reaches the page on two ways only: into the data block, which the page's own script shows as text, or
escaped into headings and tables. None of it passes through folium's templates, which would run what they find in it.
"""

import base64
import hashlib
import html
import json
import re
from collections.abc import Sequence
from dataclasses import replace
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
from maps.relief import Relief
from maps.scene import Day, Road, Scene, Table
from maps.still import draw
from maps.thinning import thinned
from maps.track import beside, unrolled

MAP_ID = "route"
TOPO_ID = "topo"
BASE_DIGITS, ROAD_BOUND_DEG = 3, 0.002
MOST_OPEN_ROWS = 12  # a longer reference table is folded away
SHEET_LINES, BLANK_HEIGHT, MOST_BLANKS = 25, 1.7, 12  # of a printed day, in lines of its tables
SCRIPTS = ("base.js", "ground.js", "map.js", "chart.js", "teach.js", "bends.js", "readings.js", "now.js", "page.js")
TOPO_HOST = "https://basemap.nationalmap.gov"
TOPO_URL = TOPO_HOST + "/arcgis/rest/services/USGSTopo/MapServer/tile/{z}/{y}/{x}"
TOPO_CREDIT = "Tiles courtesy of the U.S. Geological Survey"
TOPO_DEEPEST_ZOOM = 16  # ASSUMED: deepest level with drawn tiles; beyond it tiles are enlarged
POLICY_MARK = "POLICY-FOLLOWS"
POLICY = (
    "default-src 'none'; script-src {scripts}; style-src {styles}; "
    "img-src data: {host}; base-uri 'none'; form-action 'none'"
)
_PLAIN = frozenset({int, float, bool, type(None)})  # hold no text
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
    """Draw a scene as one HTML document that needs no other file; the same input always gives the same text."""
    page, drawn = Page(scene.language), _leaflet_map(scene, basemap)
    page.add_child(drawn)
    page.header.add_child(Verbatim(_head(scene)))
    before, after = _body(scene, basemap)
    page.html.add_child(Verbatim(before))
    page.script.add_child(Verbatim(f"/*\n{_asset('static/LICENSE.leaflet')}*/\n"))
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
        zoom_control=False,
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
        options="".join(
            f'<option value="{n}">{text(day.short or day.title)}</option>' for n, day in enumerate(scene.days)
        ),
        cautions=f'<div class="cautions"><h3>Cautions</h3>{cautions}</div>' if cautions else "",
        rules=f'<div class="rules"><h3>When a gauge passes its mark</h3>{_bullets(scene.rules)}</div>'
        if scene.rules
        else "",
        still=draw(scene, basemap, escape=text),
        card=_sheets(tuple(replace(one, note="") for one in scene.card)),
        card_notes="".join(f'<p class="note">{text(one.note)}</p>' for one in scene.card if one.note),
        tables=_sheets(scene.tables),
        appendix="".join(_folded(one) if len(one.rows) > MOST_OPEN_ROWS else _sheets((one,)) for one in scene.appendix),
        days="".join(_day_markup(scene, number, cautions) for number in range(len(scene.days))),
        sources=" ".join(f"<p>{text(source)}.</p>" for source in (*basemap.sources, *scene.attributions)),
        topo=text(TOPO_CREDIT),
        generated=text(scene.generated),
    )
    before, after = form.split("<!-- map -->")
    return before, after


def _sheets(tables: tuple[Table, ...]) -> str:
    """Tables, each kept together on paper."""
    return "".join(f'<div class="sheet">{_table_markup(one)}</div>' for one in tables)


def _folded(table: Table) -> str:
    """Fold a long table under its title."""
    summary = f"<summary>{text(table.title)}: {len(table.rows)} lines</summary>"
    return f'<details class="fold sheet">{summary}{_table_markup(table)}</details>'


def _day_markup(scene: Scene, number: int, cautions: str) -> str:
    """Sheet of one day: heading, hours, profile, what to do, timetable, the rest, and what only paper carries."""
    day, name = scene.days[number], f"day-{number + 1}"
    hours, _, more = day.summary.partition("\n")
    tables = "".join(_table_markup(one, f"{day.title}, ") for one in day.tables)
    return (
        f'<section class="sheet day" id="{name}" aria-labelledby="{name}-title">'
        f'<h2 id="{name}-title" tabindex="-1">{text(day.title)}</h2><p class="hours">{text(hours)}</p>'
        f'<div class="profile" id="profile-{number + 1}"></div>'
        f"{_advice_markup(day)}{_way_markup(day)}"
        f'<details class="lines needs-script" id="lines-{number + 1}"></details>'
        f"{_paragraphs(more)}{tables}{_printed(scene, day, cautions)}</section>"
    )


def _advice_markup(day: Day) -> str:
    """What to do that day: the first line, and the others folded away."""
    lines = tuple(one.text for one in day.advice)
    if not lines:
        return ""
    rest = lines[1:]
    more = f"or {len(rest)} other{'s' if len(rest) > 1 else ''}"
    folded = f'<details class="more-advice"><summary>{more}</summary>{_bullets(rest)}</details>' if rest else ""
    return f'<div class="todo"><h3>What to do</h3><p>{text(lines[0])}</p>{folded}</div>'


def _way_markup(day: Day) -> str:
    """Timetable of one day; on a phone its lines fold, so every part says what it is to a screen reader."""
    if not day.way:
        return ""
    names = ["at", "to", "far", *["more"] * (len(day.headings) - 5), "left", "then"]
    heads = "".join(
        f'<th scope="col" role="columnheader" class="w-{name}">{text(one)}</th>'
        for name, one in zip(names, day.headings, strict=True)
    )
    rows = "".join(
        f'<tr role="row" class="is-{line.level}" data-line="{number}">'
        + "".join(
            f'<td role="cell" class="w-{name}">{text(one)}</td>' for name, one in zip(names, line.cells, strict=True)
        )
        + "</tr>"
        for number, line in enumerate(day.way)
    )
    note = f'<p class="note">{text(day.way_note)}</p>' if day.way_note else ""
    return (
        f'<div class="table-frame" role="region" tabindex="0" aria-label="{text(day.title)}, timetable">'
        f'<table class="way" role="table"><caption class="hidden">Timetable</caption><thead role="rowgroup">'
        f'<tr role="row">{heads}</tr></thead><tbody role="rowgroup">{rows}</tbody></table></div>{note}'
    )


def _printed(scene: Scene, day: Day, cautions: str) -> str:
    """What only the printed sheet carries: as many lines as fit to write the gauges' readings on, and the cautions."""
    used = len(day.way) + len(day.advice) + 2 * day.summary.count("\n") + sum(4 + len(one.rows) for one in day.tables)
    blanks = min(max(int((SHEET_LINES - used) / BLANK_HEIGHT), 0), MOST_BLANKS)
    heads = ("time, place", *(one.label.lower() for one in scene.track.series), "notes")
    cells = "".join(f'<th scope="col">{text(one)}</th>' for one in heads)
    blank = "<tr>" + "<td></td>" * len(heads) + "</tr>"
    body = f"<thead><tr>{cells}</tr></thead><tbody>{blank * blanks}</tbody>"
    lines = f"<table><caption>Gauges as read</caption>{body}</table>"
    write_in = f'<div class="print-only write-in">{lines}</div>' if blanks else ""
    told = f"<h3>Cautions</h3>{cautions}" if cautions else ""
    return f'{write_in}<div class="print-only small">{told}</div>'


def _table_markup(table: Table, where: str = "") -> str:
    """One table with its title, in a frame that scrolls sideways by itself."""
    headings = "".join(f'<th scope="col">{text(heading)}</th>' for heading in table.headings)
    rows = ""
    for number, line in enumerate(table.rows, start=1):
        cells = [text(one) for one in line]
        if table.to_days:
            cells[0] = f'<a href="#day-{number}">{cells[0]}</a>'
        rows += "<tr>" + "".join(f"<td>{one}</td>" for one in cells) + "</tr>"
    note = f'<p class="note">{text(table.note)}</p>' if table.note else ""
    kind = ' class="to-days"' if table.to_days else ""
    return (
        f'<div class="table-frame" role="region" tabindex="0" aria-label="{text(where + table.title)}"><table{kind}>'
        f"<caption>{text(table.title)}</caption><thead><tr>{headings}</tr></thead><tbody>{rows}</tbody>"
        f"</table></div>{note}"
    )


def _data_block(scene: Scene, basemap: Basemap) -> str:
    """Everything the script draws, as JSON that cannot end its own element."""
    data = pack(scene) | {
        "distance_unit": scene.distance_unit,
        "elevation_unit": scene.elevation_unit,
        "level_words": list(scene.level_words),
        "band_words": scene.band_words,
        "start_s": scene.start_s,
        "key": scene.key,
        "markers": [
            {
                "lat": m.lat,
                "lon": beside(m.lon, scene.track.lon[0]),
                "label": m.label,
                "kind": m.kind,
                "text": m.text,
                "detail": m.detail,
                "day": m.day,
            }
            for m in scene.markers
        ],
        "roads": _packed_roads(scene.roads, scene.track.lon[0]),
        "towns": [[one.name, one.lat, beside(one.lon, scene.track.lon[0]), one.weight] for one in scene.towns],
        "base": _packed_base(basemap),
        "relief": None if scene.relief is None else _packed_relief(scene.relief),
    }
    made = json.dumps(_cleaned(data), sort_keys=True, allow_nan=False, separators=(",", ":"))
    safe = made.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
    return f'<script type="application/json" id="scene-data">{safe}</script>'


def _steps(line: Line) -> list[int]:
    """Write a line as whole steps, longitude and latitude in turn."""
    whole = np.rint(line * 10.0**BASE_DIGITS).astype(np.int64)
    moves: list[int] = np.diff(whole, axis=0, prepend=0).ravel().tolist()
    return moves


def _packed_roads(roads: Sequence[Road], middle: float) -> list[dict[str, Any]]:
    """Pack roads, thinned to what the map shows."""
    moved = [np.asarray(unrolled(road.lon)) + beside(road.lon[0], middle) - road.lon[0] for road in roads]
    lines = [np.column_stack([lon, road.lat]) for lon, road in zip(moved, roads, strict=True)]
    thin = thinned(lines, ROAD_BOUND_DEG) if lines else []
    return [{"name": road.name, "line": _steps(line)} for road, line in zip(roads, thin, strict=True)]


def _packed_base(basemap: Basemap) -> dict[str, Any]:
    """Pack the outlines as whole steps."""
    names = ("land", "lakes", "coasts", "borders", "states")
    layers = {name: [_steps(line) for line in getattr(basemap, name)] for name in names}
    labels = [
        {"text": one.text, "kind": one.kind, "spots": [list(spot) for spot in one.spots], "size": one.size}
        for one in basemap.labels
    ]
    return {
        "digits": BASE_DIGITS,
        "box": list(basemap.box),
        "labels": labels,
        "crossed": [list(one) for one in basemap.crossed],
        **layers,
    }


def _packed_relief(relief: Relief) -> dict[str, Any]:
    """Pack the shading of the ground, and its box as the map wants it."""
    box = [[relief.south, relief.west], [relief.north, relief.east]]
    return {"box": box, "png": base64.b64encode(relief.png).decode("ascii")}


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
    if isinstance(value, list):
        return value if _PLAIN.issuperset(map(type, value)) else [_cleaned(one) for one in value]
    return value


def text(raw: str) -> str:
    """Escape text for a heading, a cell or an attribute.

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


def _bullets(lines: tuple[str, ...], kind: str = "") -> str:
    """Escape lines and make a list of them; nothing for no lines."""
    return (
        (f'<ul class="{kind}">' if kind else "<ul>") + "".join(f"<li>{text(line)}</li>" for line in lines) + "</ul>"
        if lines
        else ""
    )


def _asset(name: str) -> str:
    """Read a file of this package; line ends are plain newlines, as the hashes of the policy need."""
    return (files("maps") / name).read_text(encoding="utf-8").replace("\r\n", "\n")
