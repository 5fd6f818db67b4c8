"""readings.csv: where, when, units, and every problem at once."""

from datetime import datetime

import pytest

from planner.files.folder import example_folder, read_trip
from planner.files.reading import Problems
from planner.files.readings import parse_readings, read_readings
from planner.model.errors import TripError

HEAD = "when,place,along,coolant [degF],oil [degC],air [degC],oil_pressure [psi],rpm,note\n"
TRIP = read_trip(example_folder("minimal"))


def read(text):
    problems = Problems()
    return parse_readings(text, trip=TRIP, problems=problems), problems.sentences()


def test_a_row_in_si():
    (row,), told = read(HEAD + '2027-07-10 14:20,"Needles, California",,212,110,30,,,\n')
    assert told == []
    assert (row.row, row.when, row.place) == (2, datetime(2027, 7, 10, 14, 20), "needles")
    assert row.temps_k == pytest.approx({"coolant": 373.15, "engine_oil": 383.15, "air": 303.15})


def test_a_point_along_a_leg_and_oil_pressure():
    (row,), told = read(HEAD + ",,needles > kingman: 10 km,,,,45,2600,hot\n")
    assert told == []
    assert row.along == ("needles", "kingman", 10_000.0)
    assert (row.oil_pressure_pa, row.rpm, row.note) == (pytest.approx(310_264.0, rel=1e-4), 2600.0, "hot")


@pytest.mark.parametrize(
    ("row", "column", "code"),
    [
        (",needels,,200,,,,,", "place", "unknown-place"),
        ("2 pm,,,200,,,,,", "when", "invalid-value"),
        (",,,200,,,,,", "when", "missing-value"),
        (",needles,needles>kingman: 1 km,200,,,,,", "along", "conflict"),
        (",,needles-kingman,200,,,,,", "along", "unknown-place"),
        (",needles,,,,,,,", "when", "missing-value"),
        (",needles,,,,,45,,", "oil_pressure [psi]", "missing-value"),
    ],
)
def test_faulty_rows(row, column, code):
    problems = Problems()
    parse_readings(HEAD + row + "\n", trip=TRIP, problems=problems)
    assert [(one.file, one.row, one.column, one.code) for one in problems.found()] == [
        ("readings.csv", 2, column, code)
    ]


def test_headings_alone_wait_for_the_first_row():
    assert read(HEAD) == ((), [])


def test_the_file_of_a_folder(tmp_path):
    assert read_readings(tmp_path, TRIP) == ()
    (tmp_path / "readings.csv").symlink_to("nowhere.csv")
    with pytest.raises(TripError, match=r"^readings.csv: is a broken link"):
        read_readings(tmp_path, TRIP)
