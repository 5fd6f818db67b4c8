"""Any valid trip reads back in any units."""

import csv
import io
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from planner.files.folder import read_trip
from planner.files.rows import KINDS, SERVICES
from planner.model.geo import distance_m as line_m
from planner.model.trip import Leg, Place, Profile
from thermal.units import convert

WORDS = st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=12).map(lambda text: " ".join(text.split()))
FLAGS = st.booleans()


@dataclass(frozen=True)
class Dialect:
    """How one made-up user writes tables."""

    delimiter: str
    comma: bool
    bom: bool
    end: str
    length: str
    height: str
    heat: str
    speed: str

    def number(self, value: float, si_unit: str, unit: str) -> str:
        text = repr(value if si_unit == unit else convert(value, si_unit, unit))
        return text.replace(".", ",") if self.comma else text

    def write(self, path: Path, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        out = io.StringIO()
        writer = csv.writer(out, delimiter=self.delimiter, lineterminator=self.end)
        writer.writerows([heads, *rows])
        path.write_text(out.getvalue(), encoding="utf-8-sig" if self.bom else "utf-8", newline="")


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from([",", ";", "\t"]))
    return Dialect(
        delimiter=delimiter,
        comma=delimiter != "," and draw(FLAGS),
        bom=draw(FLAGS),
        end=draw(st.sampled_from(["\n", "\r\n"])),
        length=draw(st.sampled_from(["mi", "km", "m"])),
        height=draw(st.sampled_from(["ft", "m", "km"])),
        heat=draw(st.sampled_from(["degF", "degC", "K", "°F", "°C"])),
        speed=draw(st.sampled_from(["mph", "km/h", "m/s", "knot"])),
    )


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


@st.composite
def places(draw: st.DrawFn) -> Place:
    high_k = draw(numbers(290.0, 320.0)) if draw(FLAGS) else None
    return Place(
        key=draw(st.from_regex(r"[a-z0-9-]{1,12}", fullmatch=True)),
        name=draw(WORDS.filter(bool)),
        lat_deg=draw(numbers(-90.0, 90.0)),
        lon_deg=draw(numbers(-180.0, 180.0)),
        elevation_m=draw(numbers(-400.0, 6400.0)),
        kind=draw(st.sampled_from(KINDS)),
        services=draw(st.frozensets(st.sampled_from(SERVICES))),
        high_k=high_k,
        low_k=None if high_k is None else high_k - draw(numbers(8.0, 10.0)),
        note=draw(WORDS),
    )


@st.composite
def legs(draw: st.DrawFn, a: Place, b: Place) -> Leg:
    rise_m = b.elevation_m - a.elevation_m
    distance_m = (
        line_m(lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg) * draw(numbers(1.0, 3.0))
        + abs(rise_m) * 6.0
        + draw(numbers(100.0, 1e5))
    )
    assume(distance_m < 2e7)
    profile = None
    if draw(FLAGS):
        shares = sorted(draw(st.lists(st.integers(1, 999), max_size=5, unique=True)))
        shares = [0.0, *(share / 1000 for share in shares), 1.0]
        profile = Profile(
            distance_m=tuple(distance_m * share for share in shares),
            elevation_m=tuple(a.elevation_m + rise_m * share for share in shares),
        )
    return Leg(
        start=a.key,
        finish=b.key,
        distance_m=distance_m,
        speed_m_per_s=draw(numbers(2.0, 60.0)),
        road=draw(WORDS),
        two_way=draw(FLAGS),
        open=True,
        profile=profile,
        note=draw(WORDS),
    )


@st.composite
def chains(draw: st.DrawFn) -> tuple[list[Place], list[Leg]]:
    line = draw(st.lists(places(), min_size=2, max_size=5, unique_by=lambda place: place.key))
    return line, [draw(legs(a, b)) for a, b in pairwise(line)]


def write_trip(folder: Path, line: Sequence[Place], ways: Sequence[Leg], dialect: Dialect) -> None:
    def heat(temp_k: float | None) -> str:
        return "" if temp_k is None else dialect.number(temp_k, "K", dialect.heat)

    def place_cells(p: Place) -> list[str]:
        where = [dialect.number(p.lat_deg, "", ""), dialect.number(p.lon_deg, "", "")]
        height = dialect.number(p.elevation_m, "m", dialect.height)
        return [
            p.key,
            p.name,
            *where,
            height,
            p.kind,
            " ".join(sorted(p.services)),
            heat(p.high_k),
            heat(p.low_k),
            p.note,
        ]

    def leg_cells(n: int, w: Leg) -> list[str]:
        length, speed = (
            dialect.number(w.distance_m, "m", dialect.length),
            dialect.number(w.speed_m_per_s, "m/s", dialect.speed),
        )
        flags = ["yes" if flag else "no" for flag in (w.two_way, w.open)]
        return [w.start, w.finish, length, speed, w.road, *flags, "" if w.profile is None else f"p{n}.csv", w.note]

    heads = (
        f"place,name,lat,lon,elevation [{dialect.height}],kind,services,high [{dialect.heat}],low [{dialect.heat}],note"
    )
    dialect.write(folder / "places.csv", heads.split(","), [place_cells(p) for p in line])
    heads = f"from,to,distance [{dialect.length}],speed [{dialect.speed}],road,two_way,open,profile,note"
    dialect.write(folder / "legs.csv", heads.split(","), [leg_cells(n, w) for n, w in enumerate(ways)])
    for n, way in enumerate(ways):
        if way.profile is not None:
            points = zip(way.profile.distance_m, way.profile.elevation_m, strict=True)
            dialect.write(
                folder / f"p{n}.csv",
                [f"distance [{dialect.length}]", f"elevation [{dialect.height}]"],
                [[dialect.number(d, "m", dialect.length), dialect.number(e, "m", dialect.height)] for d, e in points],
            )
    start, finish = json.dumps(line[0].key), json.dumps(line[-1].key)
    text = f'start = {start}\nfinish = {finish}\ndeparture = "2027-05-06 07:00"\n'
    (folder / "trip.toml").write_text(text, encoding="utf-8")


def assert_close(got: float | None, want: float | None) -> None:
    """Compare to 1e-9: two unit conversions and one decimal text lie between."""
    assert (got is None) == (want is None)
    assert got is None or got == pytest.approx(want, rel=1e-9, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(chain=chains(), dialect=dialects())
def test_a_valid_trip_reads_back_in_any_units(chain: tuple[list[Place], list[Leg]], dialect: Dialect) -> None:
    line, ways = chain
    with tempfile.TemporaryDirectory() as name:
        write_trip(Path(name), line, ways, dialect)
        trip = read_trip(Path(name))
    assert list(trip.places) == [place.key for place in line]
    for want in line:
        got = trip.places[want.key]
        words = [(p.key, p.name, p.kind, p.services, p.note) for p in (got, want)]
        assert words[0] == words[1]
        for field in ("lat_deg", "lon_deg", "elevation_m", "high_k", "low_k"):
            assert_close(getattr(got, field), getattr(want, field))
    for got_leg, want_leg in zip(trip.legs, ways, strict=True):
        words = [(w.start, w.finish, w.road, w.two_way, w.open, w.note) for w in (got_leg, want_leg)]
        assert words[0] == words[1]
        assert_close(got_leg.distance_m, want_leg.distance_m)
        assert_close(got_leg.speed_m_per_s, want_leg.speed_m_per_s)
        assert (got_leg.profile is None) == (want_leg.profile is None)
        if got_leg.profile is not None and want_leg.profile is not None:
            assert got_leg.profile.distance_m == pytest.approx(want_leg.profile.distance_m, rel=1e-9, abs=1e-9)
            assert got_leg.profile.elevation_m == pytest.approx(want_leg.profile.elevation_m, rel=1e-9, abs=1e-9)
