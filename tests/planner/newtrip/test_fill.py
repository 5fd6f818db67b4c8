"""places.csv filled from names: what is filled, what is asked, what stays as it was typed."""

import csv
import io

import pytest

from planner.model.errors import OutputError, TripError
from planner.newtrip.fill import fill_places, write_filled

NAMES = '# ours\nname,note\n"Needles, California",hot\nKingman,\nRaton,\nNowhereville,\n'


def folder_with(tmp_path, places, toml=""):
    (tmp_path / "places.csv").write_text(places, encoding="utf-8")
    if toml:
        (tmp_path / "trip.toml").write_text(toml, encoding="utf-8")
    return tmp_path


def rows_of(text):
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return {row["name"]: row for row in csv.DictReader(io.StringIO("\n".join(lines)))}


def test_names_become_places(tmp_path):
    filled = fill_places(folder_with(tmp_path, NAMES))
    rows = rows_of(filled.text)
    needles = rows["Needles, California"]
    # 495 ft: US Geological Survey name entry, as in the minimal example
    assert needles["elevation [ft]"] == "495"
    assert (float(needles["lat"]), float(needles["lon"])) == pytest.approx((34.848, -114.614), abs=0.01)
    assert needles["place"] == "needles-california"
    assert needles["note"] == "hot"
    # July mean maximum at Needles airport 108.9 degF: NOAA normals 1981-2010, from memory
    assert float(needles["high [degF]"]) == pytest.approx(109.0, abs=3.0)
    assert filled.text.startswith("# ours\n")
    assert rows["Kingman"]["lat"] == ""
    assert "row 4: 2 towns are named 'Kingman': 'Kingman, AZ', 'Kingman, KS'; write which" in "\n".join(filled.open)
    assert "row 6: 'Nowhereville' is not in the table of towns" in "\n".join(filled.open)
    assert [line.split(":")[0] for line in filled.filled] == ["row 3", "row 5"]


def test_what_is_typed_stays(tmp_path):
    typed = "place;name;lat;lon;elevation [m];high [degC];low [degC]\nx;Raton;36,9;-104,4;2000;30;10\ny;Davos;;;;;\n"
    filled = fill_places(folder_with(tmp_path, typed, 'units = "metric"\nstart = "x"\nfinish = "y"\n'))
    lines = filled.text.splitlines()
    assert lines[1] == "x;Raton;36,9;-104,4;2000;30;10"
    davos = lines[2].split(";")
    assert float(davos[4]) == pytest.approx(1560.0, abs=30.0)
    assert davos[5:] == ["", ""]  # no station near


def test_temperatures_of_the_month_of_the_trip(tmp_path):
    toml = 'start = "a"\nfinish = "b"\ndeparture = "2027-01-16 08:00"\n'
    january = rows_of(fill_places(folder_with(tmp_path, 'name\n"Phoenix, AZ"\n', toml)).text)["Phoenix, AZ"]
    # January mean maximum of Phoenix 67 degF: NOAA normals 1981-2010, from memory
    assert float(january["high [degF]"]) == pytest.approx(67.0, abs=3.0)


def test_a_new_file_or_in_place_only_when_asked(tmp_path):
    folder = folder_with(tmp_path, NAMES)
    filled = fill_places(folder)
    assert write_filled(folder, filled, in_place=False).name == "places-filled.csv"
    assert (folder / "places.csv").read_text(encoding="utf-8") == NAMES
    with pytest.raises(OutputError, match="already exists and was not overwritten"):
        write_filled(folder, filled, in_place=False)
    write_filled(folder, filled, in_place=True)
    assert (folder / "places.csv").read_text(encoding="utf-8") == filled.text


def test_filled_places_are_read(tmp_path, run):
    toml = 'start = "needles-ca"\nfinish = "kingman-az"\ndeparture = "2027-07-10 14:00"\n'
    folder = folder_with(tmp_path, 'name\n"Needles, CA"\n"Kingman, AZ"\n', toml)
    (folder / "legs.csv").write_text("from,to,distance [mi],speed [mph]\nneedles-ca,kingman-az,61,62\n", "utf-8")
    (folder / "vehicle.toml").write_text('base = "estate-1990s-six"\n', encoding="utf-8")
    assert run("check", folder, "--fill", "--in-place").code == 0
    assert run("check", folder).code == 0


@pytest.mark.parametrize(("places", "said"), [("", "is empty"), ("lat,lon\n1,2\n", "neither a column 'name' nor")])
def test_tables_without_names(places, said, tmp_path):
    with pytest.raises(TripError, match=said):
        fill_places(folder_with(tmp_path, places))


def test_options_of_check(run, tmp_path):
    assert "only with --fill" in run("check", tmp_path, "--in-place").err
