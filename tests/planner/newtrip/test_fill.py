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
    assert not rows["Kingman"]["lat"]
    assert "row 4: 2 towns are named 'Kingman': 'Kingman, AZ', 'Kingman, KS'; write which" in "\n".join(filled.open)
    assert "row 6: 'Nowhereville' is not in the table of towns" in "\n".join(filled.open)
    assert [line.split(":")[0] for line in filled.filled] == ["row 3", "row 5"]


def test_what_is_typed_stays(tmp_path):
    typed = (
        "place;name;lat;lon;elevation [m];high [degC];low [degC]\n"
        "x;Raton;36,9;-104,4;2000;30;10\ny;Davos, Switzerland;;;;;\n"
    )
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


ASKED = [
    (
        'place,name\na,Home\nb,"Raton, NM"\n',
        "row 2: the only town named 'Home' in the table is Home, WA, 1,894 km from the",
    ),
    (
        'name,lat,lon\n"Kingman, AZ",40,-100\n',
        "row 2: lat and lon lie 1,347 km from Kingman, AZ, so its elevation was not",
    ),
    ("name,lat,lon\nRaton,abc,1\n", "row 2, column 'lat': read 'abc'; write a number, e.g. 45.601"),
    (
        "name,lat,lon\nRaton,abc,\n",
        "row 2, column 'lat': has only one of lat and lon; enter both, or neither",
    ),
    (
        "name,elevation [ft]\nRaton,99999\n",
        "row 2, column 'elevation [ft]': read '99999'; allowed is -1,476 ft to",
    ),
    ("name,note\n,hot\n", "row 2: has no name; enter a town, e.g. 'Kingman, AZ'"),
    ('name\n"Kingmann, AZ"\n', "row 2: 'Kingmann, AZ' is not in the table of towns; did you mean 'Kingman, AZ'? Else"),
    ("name\nRaton NM\n", "row 2: 'Raton NM' is not in the table of towns; did you mean 'Raton, NM'? Else enter lat"),
    (
        "place,name\na,Raton, NM\n",
        "row 2, column 'name': more cells than headings; put a name with a comma in quotation marks, \"Raton, NM\"",
    ),
]


@pytest.mark.parametrize(("places", "said"), ASKED, ids=[said[:40] for _, said in ASKED])
def test_slips_are_asked_about_and_nothing_is_written_over(places, said, tmp_path):
    filled = fill_places(folder_with(tmp_path, places))
    assert [one[: len(said)] for one in filled.open] == [said]
    row = filled.text.splitlines()[1]
    assert row.startswith(places.splitlines()[1])
    assert set(row.removeprefix(places.splitlines()[1])) <= {","}


@pytest.mark.parametrize("places", ["name\nRaton, NM\n", "name\nRaton (NM)\n"])
def test_a_name_in_a_table_of_names_needs_no_quotation_marks(places, tmp_path):
    filled = fill_places(folder_with(tmp_path, places))
    assert filled.open == ()
    assert "raton-nm,36.903,-104.439,6680," in filled.text


def test_folders_without_a_table_of_places(tmp_path):
    with pytest.raises(TripError, match="does not exist; 'grademargin new DIR' creates one"):
        fill_places(tmp_path / "nowhere")
    (tmp_path / "trip.xlsx").write_bytes(b"")
    with pytest.raises(TripError, match=r"--fill works on it alone, and this trip has its places in trip\.xlsx"):
        fill_places(tmp_path)


@pytest.mark.parametrize(("places", "said"), [("", "is empty"), ("lat,lon\n1,2\n", "neither a column 'name' nor")])
def test_tables_without_names(places, said, tmp_path):
    with pytest.raises(TripError, match=said):
        fill_places(folder_with(tmp_path, places))


def test_options_of_check(run, tmp_path):
    assert "only with --fill" in run("check", tmp_path, "--in-place").err
