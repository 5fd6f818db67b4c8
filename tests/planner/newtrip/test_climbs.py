"""Trips from tracks climb as much as is published: rows of tests/published/climbs.toml."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from planner.model.geo import climb_m
from planner.newtrip.make import new_from_track
from thermal.units import to_si

FOLDER = Path(__file__).parents[2] / "published"
ROWS = tomllib.loads((FOLDER / "climbs.toml").read_text(encoding="utf-8"))
GPX = '<gpx version="1.1" creator="a test"><trk><trkseg>{}</trkseg></trk></gpx>'


def climb_of_trip(folder, points):
    """Climb of the trip made of a track."""
    rows = "".join(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{z:.2f}</ele></trkpt>' for lat, lon, z in points)
    (folder / "road.gpx").write_text(GPX.format(rows), encoding="utf-8")
    _, draft = new_from_track(folder / "trip", [folder / "road.gpx"])
    return climb_m(draft.track.elevation_m)


@pytest.mark.parametrize(("spacing_m", "noise_m"), [(15.0, 5.0), (100.0, 4.0), (300.0, 3.0)])
@pytest.mark.parametrize("row", ROWS["road"], ids=[row["id"] for row in ROWS["road"]])
def test_noise_is_no_climb(row, spacing_m, noise_m, tmp_path):
    km, height = np.array(row["points"], dtype=float).T
    along = np.linspace(0.0, 1e3 * km[-1], round(1e3 * km[-1] / spacing_m) + 1)
    noisy = np.interp(along, 1e3 * km, height) + np.random.default_rng(5).normal(0.0, noise_m, along.size)
    points = np.stack([45.0 + along / 111_150.0, np.full(along.size, 6.4), noisy], axis=1)
    got = climb_of_trip(tmp_path, points)
    assert abs(got - to_si(row["climb"], "m")) <= to_si(row["within"], "m"), (row["id"], got, row["source"])


@pytest.mark.parametrize("way", [1, -1], ids=["up", "down"])
@pytest.mark.parametrize("row", ROWS["track"], ids=[row["id"] for row in ROWS["track"]])
def test_walls_of_hairpins_are_no_climb(row, way, tmp_path):
    from planner.files.gpx import read_gpx
    from planner.files.reading import Problems

    found = read_gpx((FOLDER / row["file"]).read_bytes(), row["file"], Problems())
    points = np.stack([found.lat_deg, found.lon_deg, found.elevation_m], axis=1)[::way]
    published = to_si(row["top"], "m") - points[0, 2]
    raw = climb_m(points[:, 2])
    got = climb_of_trip(tmp_path, points)
    assert abs(got - published) <= to_si(row["within"], "m") < 0.5 * (raw - published), (got, raw, row["source"])


def test_rows_are_complete():
    words = {"id", "within", "why", "source", "known"}
    assert all(set(row) == words | {"points", "climb"} for row in ROWS["road"])
    assert all(set(row) == words | {"file", "top"} for row in ROWS["track"])
    assert len(ROWS["road"]) >= 6
