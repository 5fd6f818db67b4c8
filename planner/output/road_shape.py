"""The shape of the road, to make input errors visible: a terminal chart, and a page with map and profile."""

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maps import basemap, still
from maps.scene import Marker, Scene, Track
from maps.thinning import curve_indices
from planner.ground.between import ground_between
from planner.model import geo
from planner.model.display import Units, counted, units_of
from planner.model.paths import data_folder
from planner.model.trip import Leg, Trip
from planner.route.graph import stops_of

Floats = NDArray[np.float64]
PAGE = "check.html"
_COLUMNS, _ROWS = 66, 7
_BLOCKS = " ▁▂▃▄▅▆▇█"
_WIDE, _HIGH, _LEFT, _BELOW = 1000.0, 260.0, 70.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Points along the road in SI; elevations are NaN without a profile on uneven terrain."""

    distance_m: Floats
    elevation_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    ends_m: Floats  # of the legs

    @property
    def unknown_m(self) -> float:
        """Length of road with unknown elevations."""
        middle = np.isnan(self.elevation_m[1:]) | np.isnan(self.elevation_m[:-1])
        return float(np.diff(self.distance_m)[middle].sum())


def shape_of(trip: Trip, legs: Sequence[Leg]) -> Shape:
    """Join the legs."""
    parts: list[tuple[Floats, Floats, Floats, Floats]] = []
    begun_m = 0.0
    ends = []
    for leg in legs:
        along, height = _heights(trip, leg)
        lat, lon = _line(trip, leg, along / leg.distance_m)
        parts.append((begun_m + along, height, lat, lon))
        begun_m += leg.distance_m
        ends.append(begun_m)
    distance, elevation, lat, lon = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    return Shape(distance_m=distance, elevation_m=elevation, lat_deg=lat, lon_deg=lon, ends_m=np.array(ends))


def _heights(trip: Trip, leg: Leg) -> tuple[Floats, Floats]:
    if leg.profile is not None:
        along = np.array(leg.profile.distance_m)
        return along / along[-1] * leg.distance_m, np.array(leg.profile.elevation_m)
    a, b = trip.places[leg.start], trip.places[leg.finish]
    along = np.array([0.0, 0.01, 0.5, 0.99, 1.0]) * leg.distance_m
    even = a.elevation_m + (b.elevation_m - a.elevation_m) * along / leg.distance_m
    first, last = ((place.lat_deg, place.lon_deg, place.elevation_m) for place in (a, b))
    if not ground_between(first, last, distance_m=leg.distance_m).even:
        even[1:-1] = math.nan
    return along, even


def _line(trip: Trip, leg: Leg, share: Floats) -> tuple[Floats, Floats]:
    """Positions along a leg's track, else along the straight line."""
    a, b, track = trip.places[leg.start], trip.places[leg.finish], leg.profile
    if track is None or not track.lat_deg:
        return geo.positions(
            lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg, fractions=share
        )
    return np.array(track.lat_deg), np.array(track.lon_deg)


# --- terminal ---


def chart_lines(shape: Shape, units: Units) -> list[str]:
    """A small chart of the profile; question marks where elevations are unknown."""
    edges = np.linspace(0.0, shape.distance_m[-1], _COLUMNS + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    height = np.interp(middle, shape.distance_m, shape.elevation_m)
    known = np.flatnonzero(np.isfinite(shape.elevation_m))
    column = np.clip(np.searchsorted(edges, shape.distance_m[known], side="right") - 1, 0, _COLUMNS - 1)
    top = np.full(_COLUMNS, -np.inf)
    np.maximum.at(top, column, shape.elevation_m[known])  # a pass narrower than a column must be visible
    height = np.where(np.isfinite(top), np.fmax(height, top), height)
    low, high = float(np.nanmin(height)), float(np.nanmax(height))
    filled = (height - low) / max(high - low, 1.0) * (_ROWS * 8 - 1) + 1.0
    lines = []
    for row in range(_ROWS - 1, -1, -1):
        level = np.clip(np.nan_to_num(filled - 8 * row), 0, 8).astype(int)
        label = high if row == _ROWS - 1 else low if row == 0 else None
        words = "" if label is None else f"{units.height(label):,.0f} {units.elevation}"
        blank = np.isnan(filled) & (row == 0)
        marks = ("?" if none else _BLOCKS[n] for none, n in zip(blank.tolist(), level.tolist(), strict=True))
        lines.append(f"  {words:>9} {''.join(marks)}".rstrip())
    length = f"{units.dist(shape.distance_m[-1]):,.0f} {units.distance}"
    lines.append(f"  {'':>9} 0{length:>{_COLUMNS - 1}}")
    return lines


# --- page ---


def page(trip: Trip, legs: Sequence[Leg], shape: Shape) -> str:
    """One self-contained HTML document with map and profile, without scripts."""
    units = units_of(trip.units)
    south, west, north, east = (float(pick(row)) for pick in (np.min, np.max) for row in (shape.lat_deg, shape.lon_deg))
    ground = basemap.load(data_folder() / "basemap", (south, west, north, east), names=False)
    scene = _scene(trip, legs, shape, units)
    drawn = still.draw(scene, ground, escape=html.escape)
    unknown = shape.unknown_m
    length = f"{units.dist(shape.distance_m[-1]):,.0f} {units.distance}"
    said = [f"{length} in {counted(len(legs), 'leg')}."]
    if unknown > 0.0:
        said.append(f"Elevations are not known on {units.dist(unknown):,.0f} {units.distance}: shown hatched.")
    sources = " ".join(html.escape(text) for text in ground.sources)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{html.escape(trip.name)}: check</title>'
        f"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f'<meta name="viewport" content="width=device-width,initial-scale=1"><style>{_STYLE}</style></head><body>'
        f"<h1>{html.escape(trip.name)}</h1><p>{html.escape(' '.join(said))} Look for a place far off the road, a step "
        f"in the profile, or an elevation in the wrong unit.</p>{drawn}{_profile(shape, units)}"
        f"<p>{html.escape('Towns, where named from the table: GeoNames, CC BY 4.0.')} {sources}</p></body></html>\n"
    )


_STYLE = (
    "body{font:16px/1.45 sans-serif;max-width:1040px;margin:1em auto;padding:0 1em;color:#1c1c1c;background:#fff}"
    "svg{width:100%;height:auto;display:block;margin:1em 0}.sea{fill:#eef2f5}.land{stroke:#8a8f94;stroke-width:1}"
    ".states{stroke:#c3c7cb;stroke-width:.7}.borders{stroke:#8a8f94;stroke-width:1}"
    ".route-plain{stroke:#1c1c1c}.dot-start,.dot-finish{fill:#1c1c1c}.road{fill:none;stroke:#1c1c1c;stroke-width:1.6}"
    ".area{fill:#d8dde1}.unknown{fill:url(#hatch)}.leg{stroke:#b5babf;stroke-width:.7}text{font-size:13px;fill:#1c1c1c}"
)


def _scene(trip: Trip, legs: Sequence[Leg], shape: Shape, units: Units) -> Scene:
    keep = np.linspace(0, len(shape.lat_deg) - 1, min(3000, len(shape.lat_deg))).astype(int)  # each once
    count = len(keep)
    stops = stops_of(legs)
    ends = ((trip.places[stops[0]], "start"), (trip.places[stops[-1]], "finish"))
    return Scene(
        title=trip.name,
        track=Track(
            lat=tuple(shape.lat_deg[keep].tolist()),
            lon=tuple(shape.lon_deg[keep].tolist()),
            distance=tuple(units.dist(shape.distance_m[keep]).tolist()),
            elevation=tuple(np.nan_to_num(units.height(shape.elevation_m[keep])).tolist()),
            clock=("",) * count,
            group=(0,) * count,
            day=(0,) * count,
        ),
        markers=tuple(
            Marker(lat=place.lat_deg, lon=place.lon_deg, label=place.name, kind=kind, text="") for place, kind in ends
        ),
    )


def _profile(shape: Shape, units: Units) -> str:
    """Profile as SVG, hatched where unknown, with a tick at the end of each leg."""
    low, high = float(np.nanmin(shape.elevation_m)), float(np.nanmax(shape.elevation_m))
    length = float(shape.distance_m[-1])
    x = _LEFT + (_WIDE - _LEFT) * shape.distance_m / length
    y = 20.0 + _HIGH * (1.0 - (shape.elevation_m - low) / max(high - low, 1.0))
    base = 20.0 + _HIGH
    parts = [_HATCHING, *_pieces(x, y, base)]
    ticks = _LEFT + (_WIDE - _LEFT) * shape.ends_m[:-1] / length
    parts.append(f'<path class="leg" d="{"".join(f"M{at:.1f} {base:.1f}v5" for at in ticks.tolist())}"/>')
    for metres, at in ((high, 20.0), (low, base)):
        words = f"{units.height(metres):,.0f} {units.elevation}"
        parts.append(f'<text x="{_LEFT - 6:.0f}" y="{at + 4:.1f}" text-anchor="end">{words}</text>')
    words = f"{units.dist(length):,.0f} {units.distance}"
    parts.append(f'<text x="{_LEFT:.0f}" y="{base + 22:.1f}">0</text>')
    parts.append(f'<text x="{_WIDE:.0f}" y="{base + 22:.1f}" text-anchor="end">{words}</text>')
    box = f"0 0 {_WIDE:.0f} {base + _BELOW:.0f}"
    return f'<svg viewBox="{box}" role="img" aria-label="Profile of the road">{"".join(parts)}</svg>'


_HATCHING = (
    '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0v6" stroke="#1c1c1c" stroke-width="1.2"/></pattern></defs>'
)


def _pieces(x: Floats, y: Floats, base: float) -> list[str]:
    """Areas under known stretches, and hatched boxes for unknown ones."""
    made = []
    known = np.isfinite(y)
    starts = np.flatnonzero(np.diff(np.concatenate([[False], known])) & known)
    stops = np.flatnonzero(np.diff(np.concatenate([known, [False]])) & known)
    for first, last in zip(starts.tolist(), stops.tolist(), strict=True):
        points = np.column_stack([x[first : last + 1], y[first : last + 1]])
        kept = points[curve_indices(points[:, 0], points[:, 1], 0.4)]
        line = "L".join(f"{a:.1f} {b:.1f}" for a, b in kept.tolist())
        made.append(f'<path class="area" d="M{x[first]:.1f} {base:.1f}L{line}L{x[last]:.1f} {base:.1f}Z"/>')
        made.append(f'<path class="road" d="M{line}"/>')
    for left, right in zip(x[stops[:-1]].tolist(), x[starts[1:]].tolist(), strict=True):
        made.append(f'<rect class="unknown" x="{left:.1f}" y="20" width="{right - left:.1f}" height="{_HIGH:.0f}"/>')
    return made
