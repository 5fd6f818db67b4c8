"""A trip reads back the same in any units and in any way of writing tables."""

import csv
import io
import re
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.files.folder import example_folder, read_trip
from planner.model.trip import Trip
from thermal.units import convert

EXAMPLE = example_folder("alps")
UNITS = {
    "distance": ("mi", "km", "m"),
    "elevation": ("ft", "m", "km"),
    "high": ("degF", "degC", "K", "°F", "°C"),
    "speed": ("mph", "km/h", "m/s", "knot"),
}
STYLES = st.fixed_dictionaries(
    {name: st.sampled_from(units) for name, units in UNITS.items()}
    | {"delimiter": st.sampled_from(",;\t"), "end": st.sampled_from(["\n", "\r\n"])}
    | {"bom": st.booleans(), "comma": st.booleans(), "seed": st.randoms(use_true_random=False)}
)


def rewritten(text: str, style: dict) -> str:
    """A table with its columns in another order, other units, another delimiter, decimal commas where they can be."""
    head, *rows = csv.reader(io.StringIO(text))
    columns = list(zip(head, *rows, strict=True))
    style["seed"].shuffle(columns)
    made = []
    for heading, *cells in columns:
        name, unit = re.fullmatch(r"(\w+)(?: \[(.+)\])?", heading).groups()
        if unit:
            new = style["high" if name == "low" else name]
            cells = [repr(convert(float(cell), unit, new)) if cell else "" for cell in cells]
            heading = f"{name} [{new}]"
        if style["comma"] and style["delimiter"] != "," and (unit or name in ("lat", "lon")):
            cells = [cell.replace(".", ",") for cell in cells]
        made.append([heading, *cells])
    out = io.StringIO()
    csv.writer(out, delimiter=style["delimiter"], lineterminator=style["end"]).writerows(zip(*made, strict=True))
    return ("\ufeff" if style["bom"] else "") + out.getvalue()


def words(trip: Trip) -> list[object]:
    places = [(p.key, p.name, p.kind, p.services, p.note) for p in trip.places.values()]
    return [*places, *((w.start, w.finish, w.road, w.two_way, w.open, w.season, w.note) for w in trip.legs)]


def numbers(trip: Trip) -> list[float | None]:
    found: list[float | None] = []
    for p in trip.places.values():
        found += [p.lat_deg, p.lon_deg, p.elevation_m, p.high_k, p.low_k]
    for w in trip.legs:
        points = () if w.profile is None else (*w.profile.distance_m, *w.profile.elevation_m)
        found += [w.distance_m, w.speed_m_per_s, len(points), *points]
    return found


@settings(max_examples=150, deadline=None)
@given(style=STYLES)
def test_a_trip_reads_back_in_any_units(style: dict) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(EXAMPLE, Path(name) / "alps"))
        for path in (folder / "places.csv", folder / "legs.csv", *folder.glob("profiles/*.csv")):
            path.write_text(rewritten(path.read_text("utf-8"), style), encoding="utf-8", newline="")
        trip = read_trip(folder)
    plain = read_trip(EXAMPLE)
    assert words(trip) == words(plain)
    # two unit conversions and one decimal text lie between
    for got, want in zip(numbers(trip), numbers(plain), strict=True):
        assert got == want or got == pytest.approx(want, rel=1e-9, abs=1e-9)
