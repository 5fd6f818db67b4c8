"""Doubts: slips that were made are told where they stand; towns, days and engines that exist are seldom doubted."""

import csv
import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import editing
import numpy as np
import pytest

from planner.analysis import plausible
from planner.analysis.plausible import doubts
from planner.analysis.plausible_car import car_doubts, class_values
from planner.analysis.weighed import doubts_of, that_matter, weighed
from planner.files.folder import classes
from planner.files.vehicles import class_vehicle
from planner.forecast.assemble import find_legs, read_inputs
from planner.ground.terrain import CELL_DEG, ground_m
from planner.ground.towns import table
from planner.ground.usual import stations, usual_highs_lows
from planner.model.doubt import Doubt
from planner.model.paths import data_folder

TODAY = date(2026, 11, 29)
P, L, V, T = "places.csv", "legs.csv", "vehicle.toml", "trip.toml"
Edit = Callable[[Path], None]


def cells(file: str, name: str, change: Callable[[str], str], row: int = 0) -> Edit:
    """Write anew one cell of a column, by the row a spreadsheet shows, or every one that is not empty."""

    def edit(folder: Path) -> None:
        rows = list(csv.reader((folder / file).read_text(encoding="utf-8").splitlines()))
        at = [head.split(" ")[0] for head in rows[0]].index(name)
        for cells in rows[row - 1 : row] if row else rows[1:]:
            cells[at] = change(cells[at]) if cells[at] else ""
        with (folder / file).open("w", encoding="utf-8", newline="") as out:
            csv.writer(out).writerows(rows)

    return edit


def cell(file: str, row: int, name: str, text: str) -> Edit:
    return cells(file, name, lambda _: text, row)


def head(file: str, old: str, new: str) -> Edit:
    return lambda folder: editing.edit(folder, file, old, new)


def car(text: str) -> Edit:
    return lambda folder: (folder / V).write_text((folder / V).read_text("utf-8") + text, encoding="utf-8")


def in_metres_without_profiles(folder: Path) -> None:
    """Metres under feet; with profiles their ends would show it, and the folder is refused."""
    cells(P, "elevation", lambda text: f"{0.3048 * float(text):.0f}")(folder)
    cells(L, "profile", lambda _: "")(folder)


def told(folder: Path) -> tuple[Doubt, ...]:
    inputs = read_inputs(folder)
    legs, _ = find_legs(inputs)
    return doubts_of(inputs, legs, today=TODAY)


SLIPS = [
    # one digit dropped or wrong, at places of the worked example
    (cell(P, 4, "elevation", "2800"), "places.csv row 4, elevation: Rockingham at 2,800 ft, the ground around, "),
    (cell(P, 6, "elevation", "8530"), "places.csv row 6, elevation: "),
    (cell(L, 3, "speed", "92"), "legs.csv row 3, speed: Lumberton to Rockingham at 92.0 mph; check its speed"),
    (cell(L, 3, "speed", "6"), "legs.csv row 3, speed: Lumberton to Rockingham at 6.0 mph; check its speed"),
    (cell(L, 3, "speed", "26"), "row 3, speed: Lumberton to Rockingham at 26.0 mph, the adjacent legs, about "),
    (cell(L, 3, "distance", "153"), "legs.csv row 3, distance: Lumberton to Rockingham is 153 mi by road, but "),
    (cell(P, 2, "high", "129"), "row 2, high: Wilmington, North Carolina with a high of 129 degF, the usual high"),
    (cell(P, 2, "low", "-46"), "row 2, low: Wilmington, North Carolina with a low of -46.0 degF, the usual low"),
    (cell(P, 4, "high", "75"), "places.csv row 4, high: Rockingham with a high of 75.0 degF, the usual high there, "),
    # whole columns
    (cells(P, "lon", lambda text: text.lstrip("-")), "places.csv, lon: "),
    (cells(P, "lat", lambda text: f"-{text}"), "is the sign of every lat wrong (south is negative)?"),
    (in_metres_without_profiles, "are the elevations in metres?"),
    (cells(L, "speed", lambda text: f"{1.609 * float(text):.0f}"), "; are they in km/h?"),
    (head(L, "speed [mph]", "speed [km/h]"), "legs.csv, speed: long straight legs are driven at "),
    (head(L, "speed [mph]", "speed [m/s]"), "legs.csv, speed: the mean speed is "),
    # dates
    (head(T, "2027-07-06 07:00", "2072-07-06 07:00"), "The departure, 2072-07-06 07:00, is 46 years ahead"),
    (head(T, 'start = "07:30"', 'start = "0:30"'), "trip.toml, day.start: A day may begin at 00:30, at night"),
    (head(T, 'driving = "6 h"', 'driving = "9.5 h"'), "trip.toml, day.driving: Up to 9.5 h of driving a day, more"),
    # the car
    (car('\n[engine]\npeak_power = {value = "19 kW", source = "x"}\n'), "vehicle.toml, engine.peak_power: 19 kW is"),
    (car('\n[engine]\ndisplacement = {value = "0.3 L", source = "x"}\n'), "engine.displacement: 0.3 L is small for"),
    (car('\n[body]\nmass = {value = "700 kg", source = "x"}\n'), "vehicle.toml, body.mass: 700 kg where the class"),
]


@pytest.mark.parametrize(("edit", "said"), SLIPS, ids=[said[:50] for _, said in SLIPS])
def test_a_slip_is_told_where_it_stands(copy_example, tmp_path: Path, edit: Edit, said: str) -> None:
    folder = copy_example("wilmington-astoria", tmp_path / "t")
    edit(folder)
    lines = [doubt.line for doubt in told(folder)]
    assert any(said in line for line in lines), lines
    assert len(lines) <= 4, lines


@pytest.mark.parametrize(
    ("name", "doubted"),
    [("wilmington-astoria", []), ("minimal", []), ("benchmark", [("places.csv", 0)])],  # invented towns: once, at large
)
def test_examples_are_not_doubted_and_invented_places_once(copy_example, tmp_path: Path, name: str, doubted) -> None:
    assert [(doubt.file, doubt.row) for doubt in told(copy_example(name, tmp_path / "t"))] == doubted


def test_towns_that_exist_are_seldom_doubted() -> None:
    """GeoNames' towns with their elevations (CC BY 4.0), 2,000 of North America: below 1 % off what is allowed."""
    towns = table()
    here = np.flatnonzero((towns.lat_deg > 25) & (towns.lat_deg < 49) & (towns.lon_deg > -124) & (towns.lon_deg < -66))
    some = np.random.default_rng(7).choice(here, 2000, replace=False)
    lat, lon, height = towns.lat_deg[some], towns.lon_deg[some], towns.elevation_m[some]
    ground, rugged, _ = plausible._around(lat, lon)
    below, above = plausible._OFF_RUGGED[False]
    off = height - ground
    allowed = plausible._OFF_M + np.where(off > 0.0, above, below) * rugged
    assert np.mean(np.abs(off) > allowed) < 0.01
    assert np.median(allowed) < 200.0  # and yet 500 m off would be told of most of them
    assert ground[0] == pytest.approx(float(ground_m(lat[0], lon[0])))
    assert CELL_DEG < 0.1


def test_usual_days_are_seldom_doubted() -> None:
    """One NOAA station's normals against those of the stations around it: below 2 % of July highs are doubted."""
    table_ = stations()
    some = np.random.default_rng(7).choice(len(table_.name), 150, replace=False)
    where = [(float(table_.lat_deg[i]), float(table_.lon_deg[i]), float(table_.elevation_m[i])) for i in some]
    found = usual_highs_lows(where, day=date(2027, 7, 16), beyond_km=1.0)
    off = [
        abs(float(table_.high_k[i, 6]) - one.high_k) > 7.0 + 2.0 * max(0.0, one.high_sd_k - 2.0)
        for i, one in zip(some, found, strict=True)
        if one is not None
    ]
    assert len(off) > 100
    assert np.mean(off) < 0.02


@pytest.mark.parametrize("name", classes())
def test_no_class_is_doubted(name: str) -> None:
    car = class_vehicle(name, data_folder() / "vehicles")
    assert list(car_doubts(car, class_values(car.vehicle))) == []


def test_a_doubt_is_weighed_and_the_light_ones_left_out(copy_example, tmp_path: Path) -> None:
    """A high 10 K too hot takes a part of the margins; a low before a start at noon moves next to nothing."""
    folder = copy_example("minimal", tmp_path / "t")
    rows = (folder / P).read_text(encoding="utf-8").splitlines()
    rows = [rows[0] + ",high [degF],low [degF]", rows[1] + ",129,78", rows[2] + ",97,40"]
    (folder / P).write_text("\n".join(rows) + "\n", encoding="utf-8")
    inputs = read_inputs(folder)
    legs, _ = find_legs(inputs)
    found = weighed(inputs, doubts_of(inputs, legs, today=TODAY))
    hot, cold = (next(doubt for doubt in found if doubt.column == name) for name in ("high", "low"))
    assert hot.moves_k > 3.0 > cold.moves_k
    assert that_matter(found) == (hot,)


def test_all_who_tell_tell_the_same(run, copy_example, tmp_path):
    """check, check --json, plan, plan.json and the page."""
    folder = copy_example("minimal", tmp_path / "t")
    head(L, "62", "98")(folder)
    said = "Needles, California to Kingman, Arizona at 98.0 mph; check its speed"
    assert said in re.sub(r"\s+", " ", run("check", folder).out)
    assert said in [one["sentence"] for one in json.loads(run("check", folder, "--json").out)["doubts"]]
    assert said in re.sub(r"\s+", " ", run("plan", folder).out)
    plan = json.loads((folder / "out" / "plan.json").read_text(encoding="utf-8"))
    assert [one["sentence"] for one in plan["doubts"]] == [said]
    assert plan["doubts"][0]["margin_moves_k"] >= 3.0
    assert said in (folder / "out" / "trip.html").read_text(encoding="utf-8")


def test_neighbours_stand_in_where_no_station_is(make_trip, road):
    legs = [road(a, b, 20) for a, b in ("ab", "bc", "cd", "de", "ef")]
    spots = {
        key: {"lat_deg": 48.2, "lon_deg": 10.6 + 0.2 * n, "elevation_m": 520.0, "high_k": 300.0, "low_k": 287.0}
        for n, key in enumerate("abcdef")
    }
    spots["c"]["high_k"] = 288.0
    found = [doubt for doubt in doubts(make_trip(legs, places=spots)) if doubt.column == "high"]
    assert [doubt.row for doubt in found] == [0]
    assert "the places around, at that height, " in found[0].against


@pytest.mark.parametrize(
    ("lat", "lon", "month", "high_k", "low_k"),
    [  # monthly means of climate tables, from memory: Suva, Manaus, Nairobi, Hobart, Longyearbyen
        (-18.1, 178.4, 7, 299.5, 293.5),
        (-3.1, -60.0, 1, 304.0, 296.5),
        (-1.3, 36.8, 7, 295.0, 284.0),
        (-42.9, 147.3, 7, 285.0, 278.0),
        (78.2, 15.6, 1, 261.0, 254.0),
    ],
)
def test_usual_days_of_any_latitude_are_not_doubted(make_trip, road, lat, lon, month, high_k, low_k):
    height = max(float(ground_m(lat, lon)), 5.0)
    spot = {"lat_deg": lat, "elevation_m": height, "high_k": high_k, "low_k": low_k}
    spots = {key: {**spot, "lon_deg": lon + 0.1 * n} for n, key in enumerate("ab")}
    trip = replace(make_trip([road("a", "b", 20)], places=spots), departure=datetime(2027, month, 15, 8))
    assert not [doubt for doubt in doubts(trip) if doubt.column in ("high", "low")]


def test_places_either_side_of_the_180th_meridian_are_neighbours(make_trip, road):
    spots = {"a": {"lat_deg": -16.80, "lon_deg": 179.95}, "b": {"lat_deg": -16.75, "lon_deg": -179.95}}
    trip = make_trip([road("a", "b", 13)], places=spots)
    assert not [doubt for doubt in doubts(trip) if doubt.file.startswith("legs")]
    assert list(plausible.winding_legs(make_trip([road("a", "b", 60)], places=spots)))
