"""Heights a track lacks, over loopback: what is asked, what is written, what is left alone."""

from datetime import UTC, datetime

import numpy as np
import pytest

from planner.files.drawn import read_drawn
from planner.files.reading import Problems
from planner.model.errors import OutputError, TripError
from planner.weather.elevations import OpenMeteoElevations
from planner.weather.track_heights import fill_track


def track(folder, heights, spacing_deg=0.0005):
    points = "".join(
        f'<trkpt lat="{45.0 + n * spacing_deg:.6f}" lon="7.0">{"" if h is None else f"<ele>{h}</ele>"}</trkpt>'
        for n, h in enumerate(heights)
    )
    path = folder / "road.gpx"
    path.write_text(
        f'<gpx version="1.1"><wpt lat="45" lon="7"><name>Begin &amp; end</name></wpt><trk><trkseg>{points}</trkseg>'
        "</trk></gpx>",
        encoding="utf-8",
    )
    return path


def fill(path, services, told=None):
    progress = (lambda _: None) if told is None else told.append
    service = OpenMeteoElevations(url=services.url)
    return fill_track(path, offline=False, now=datetime.now(UTC), progress=progress, service=service)


def test_missing_heights_are_asked_in_lots_and_written_beside(services, user_folders, tmp_path):
    path = track(tmp_path, [None] * 600)
    before = path.read_bytes()
    filled = fill(path, services)
    assert path.read_bytes() == before
    assert (filled.missing, filled.path) == (600, tmp_path / "road-heights.gpx")
    # 600 points 56 m apart, asked every 120 m or a little more: 200 of them, a hundred to a question
    assert 190 <= filled.asked == filled.found <= 210
    assert sum("/v1/elevation" in asked for asked in services.asked) == 3
    problems = Problems()
    points = read_drawn(filled.path, problems)
    assert np.isfinite(points.elevation_m).sum() == filled.found
    assert [one.name for one in points.named] == ["Begin & end"]


def test_heights_that_are_there_stay(services, user_folders, tmp_path):
    filled = fill(track(tmp_path, [500.0] * 50 + [None] * 50 + [600.0] * 50, 0.002), services)
    points = read_drawn(filled.path, Problems())
    assert list(points.elevation_m[:50]) == [500.0] * 50
    assert list(points.elevation_m[100:]) == [600.0] * 50
    assert np.isfinite(points.elevation_m).all()


def test_a_silent_service_is_asked_once_and_nothing_is_written(services, user_folders, tmp_path):
    services.faults["/v1/"] = "404"
    told = []
    filled = fill(track(tmp_path, [None] * 1000), services, told)
    assert filled.found == 0
    assert not filled.path.exists()
    assert sum("/v1/elevation" in asked for asked in services.asked) == 1
    assert told


def test_nothing_is_written_over_and_what_cannot_be_read_is_told(services, user_folders, tmp_path):
    path = track(tmp_path, [None] * 10)
    (tmp_path / "road-heights.gpx").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="already exists and was not overwritten"):
        fill(path, services)
    with pytest.raises(TripError):
        fill(tmp_path / "none.gpx", services)


def test_the_command_offline(run, tmp_path, user_folders):
    path = track(tmp_path, [None] * 10)
    done = run("weather", tmp_path, "--elevations", "--track", path, "--offline")
    assert done.code == 3
    assert "10 points without elevation, none found; nothing was written." in done.out
    assert run("weather", tmp_path, "--track", path).code == 2
    assert "nothing to fill" in run("weather", tmp_path, "--elevations", "--track", track(tmp_path, [1.0, 2.0])).out
