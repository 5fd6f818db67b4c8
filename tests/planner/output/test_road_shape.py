"""The road drawn: what is not known is no line, a narrow pass shows, the page needs nothing else."""

from xml.etree import ElementTree

import numpy as np
import pytest

from planner.files.folder import open_folder
from planner.forecast.assemble import find_legs, read_inputs
from planner.model.display import METRIC, US
from planner.model.errors import NoRouteError
from planner.output.road_shape import chart_lines, page, shape_of


@pytest.fixture(scope="module")
def alps(copy_example, tmp_path_factory):
    inputs = read_inputs(copy_example("alps", tmp_path_factory.mktemp("shape") / "alps"))
    legs, _ = find_legs(inputs)
    return inputs.trip, legs, shape_of(inputs.trip, legs)


def test_the_shape_is_as_long_and_as_high_as_the_road(alps):
    _, legs, shape = alps
    assert shape.distance_m[-1] == pytest.approx(sum(leg.distance_m for leg in legs))
    assert np.nanmax(shape.elevation_m) == pytest.approx(2757.0, abs=1.0)  # Stelvio, see test_example_places
    assert (np.diff(shape.distance_m) >= 0.0).all()
    without = sum(leg.distance_m for leg in legs if leg.profile is None)
    assert shape.unknown_m == pytest.approx(without, rel=0.05)  # valleys of the Alps: none of them is level


def test_a_halt_off_the_road_is_an_error_before_any_forecast(copy_example, tmp_path):
    folder = copy_example("alps", tmp_path / "alps")
    settings = folder / "trip.toml"
    settings.write_text(settings.read_text() + '\n[[halt]]\nplace = "airolo"\nduration = "20 min"\n')
    with pytest.raises(NoRouteError, match=r"halt at .* is not on the route.*; add 'airolo' to 'via'"):
        find_legs(read_inputs(folder))


def test_the_chart_shows_what_is_not_known_and_the_top(alps):
    lines = chart_lines(alps[2], METRIC)
    assert len(lines) == 8
    assert lines[0].split()[:2] == ["2,757", "m"]
    assert "█" in lines[0] or "▇" in lines[0]
    assert "????" in lines[6]
    assert max(map(len, lines)) <= 79


def test_a_pass_narrower_than_a_column_shows():
    from planner.output.road_shape import Shape

    along = np.arange(0.0, 3000e3, 500.0)
    height = np.where(np.abs(along - 1500e3) < 1000.0, 3000.0, 100.0)
    flat = np.zeros_like(along)
    shape = Shape(distance_m=along, elevation_m=height, lat_deg=flat, lon_deg=flat, ends_m=along[-1:])
    assert "█" in chart_lines(shape, US)[0]


def test_the_page_is_one_sound_document_with_no_script_and_no_address(alps):
    trip, legs, shape = alps
    made = page(trip, legs, shape)
    assert made == page(trip, legs, shape)
    body = made[made.index("<body>") : made.index("</html>")]
    root = ElementTree.fromstring(body)
    assert len(root.findall(".//svg")) == 2
    assert root.findall(".//svg/rect[@class='unknown']")
    for word in ("<script", "http:", "https:", "url(h", "src=", "href="):
        assert word not in made
    assert len(made) < 100_000


def test_names_cannot_act_on_the_page(copy_example, tmp_path):
    folder = copy_example("alps", tmp_path / "alps")
    text = (folder / "places.csv").read_text(encoding="utf-8").replace("Brig,", "<b onload=x>Brig,", 1)
    (folder / "places.csv").write_text(text, encoding="utf-8")
    inputs = read_inputs(folder)
    legs, _ = find_legs(inputs)
    assert "<b onload" not in page(inputs.trip, legs, shape_of(inputs.trip, legs))
    assert open_folder(folder)
