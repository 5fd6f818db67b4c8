"""Shaded relief: the projection against a published example, the picture against the PNG format, the light."""

import struct
import zlib

import numpy as np
import pytest

from maps.errors import MapError
from maps.relief import MOST_BYTES, MOST_CELLS, Relief, box_about, grid, mercator_deg, shaded

BOX = (30.0, -120.0, 50.0, -90.0)


def levels_of(png):
    """Levels of a picture of four bits a cell, read by the rules of the PNG specification (W3C, 5.3 and 11.2)."""
    assert png[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    at, chunks = 8, {}
    while at < len(png):
        size, kind = struct.unpack(">I4s", png[at : at + 8])
        data, crc = png[at + 8 : at + 8 + size], struct.unpack(">I", png[at + 8 + size : at + 12 + size])[0]
        assert zlib.crc32(kind + data) == crc
        chunks[kind] = data
        at += 12 + size
    width, height, depth, colour = struct.unpack(">IIBB", chunks[b"IHDR"][:10])
    assert (depth, colour, len(chunks[b"PLTE"]), len(chunks[b"tRNS"])) == (4, 3, 48, 16)
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(height, 1 + (width + 1) // 2)
    assert not rows[:, 0].any()
    cells = np.stack([rows[:, 1:] >> 4, rows[:, 1:] & 15], axis=2).reshape(height, -1)[:, :width]
    return cells, chunks[b"tRNS"]


def made(height_of):
    lat, lon = grid(BOX, 1 / 12)
    return shaded(height_of(lat[:, np.newaxis], lon[np.newaxis, :]), lat, lon, BOX)


def test_the_projection_agrees_with_a_worked_example():
    # Snyder, USGS Professional Paper 1395, 1987, appendix A, Mercator on a sphere: 35 degrees north gives
    # y = 0.6528366 (from memory; ln tan 62.5 degrees by hand agrees). Half the last digit.
    assert np.radians(mercator_deg(35.0)) == pytest.approx(0.6528366, abs=5e-8)


def test_rows_are_evenly_spaced_on_the_map_and_end_in_the_box():
    lat, lon = grid(BOX, 1 / 12)
    steps = np.diff(mercator_deg(lat))
    assert steps == pytest.approx(np.full_like(steps, steps[0]))
    assert 49.9 < lat[0] < 50.0
    assert 30.0 < lat[-1] < 30.1
    assert (lon[0], lon[-1]) == (pytest.approx(-120.0 + 1 / 24), pytest.approx(-90.0 - 1 / 24))


@pytest.mark.parametrize(("fall", "sign"), [((1, -1), 1), ((-1, 1), -1)])
def test_slopes_that_face_north_west_are_light_and_others_dark(fall, sign):
    north, west = fall[0], fall[1]
    picture = made(lambda lat, lon: 1000.0 - 2000.0 * (north * (lat - 40.0) + west * (lon + 105.0)))
    levels, strength = levels_of(picture.png)
    middle = levels[levels.shape[0] // 2, levels.shape[1] // 2]
    assert np.sign(int(middle) - 8) == sign
    assert strength[middle] > strength[8] == 0


def test_level_ground_and_the_steps_of_the_heights_stay_clear():
    levels, _ = levels_of(made(lambda lat, lon: 28.0 * np.rint(lat + 0.0 * lon)).png)
    assert np.mean(levels == 8) > 0.9
    levels, _ = levels_of(made(lambda lat, lon: 0.0 * (lat + lon)).png)
    assert (levels == 8).all()


def test_the_edges_fade_out():
    levels, _ = levels_of(made(lambda lat, lon: 3000.0 * (lat - lon)).png)
    edge = np.concatenate([levels[0], levels[-1], levels[:, 0], levels[:, -1]])
    assert set(edge.tolist()) <= {7, 8, 9}


def test_the_roughest_ground_of_the_largest_box_stays_small():
    box = (-60.0, -180.0, 75.0, 180.0)
    lat, lon = grid(box, 1 / 12)
    assert len(lat) * len(lon) <= MOST_CELLS
    rough = np.random.default_rng(1).uniform(0.0, 5000.0, (len(lat), len(lon)))
    assert len(shaded(rough, lat, lon, box).png) <= MOST_BYTES


def test_the_box_has_room_about_the_route_and_never_the_world_twice():
    south, west, north, east = box_about(np.array([40.0, 41.0]), np.array([-100.0, -80.0]))
    assert (south, west, north, east) == pytest.approx((37.0, -103.0, 44.0, -77.0))
    _, west, north, east = box_about(np.array([80.0, 83.9]), np.array([-170.0, 190.0]))
    assert north <= 84.0
    assert east - west <= 720.0


def test_a_box_the_wrong_way_and_a_picture_of_another_kind_are_refused():
    good = made(lambda lat, lon: lat + lon)
    with pytest.raises(MapError, match="must run north and east"):
        Relief(south=1.0, west=0.0, north=0.0, east=1.0, png=good.png)
    with pytest.raises(MapError, match="must be a PNG"):
        Relief(south=0.0, west=0.0, north=1.0, east=1.0, png=b"GIF89a")
