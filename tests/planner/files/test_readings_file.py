"""readings.csv: where, when, units, and every problem at once."""

from datetime import datetime

import pytest

from planner.files.folder import example_folder, read_trip
from planner.files.reading import Problems
from planner.files.readings import parse_readings

HEAD = "when,place,along,coolant [degF],oil [degC],air [degC],oil_pressure [psi],rpm,note\n"
ALONG = ",,needles > kingman: 10 km,,,,45,2600,hot\n"
TRIP = read_trip(example_folder("minimal"))


def read(text):
    problems = Problems()
    return parse_readings(text, trip=TRIP, problems=problems), list(problems.found())


def test_rows_in_si_at_a_place_and_along_a_leg():
    (row, leg), told = read(HEAD + '2027-07-10 14:20,"Needles, California",,212,110,30,,,\n' + ALONG)
    assert told == []
    assert (row.row, row.when, row.place) == (2, datetime(2027, 7, 10, 14, 20), "needles")
    assert row.temps_k == pytest.approx({"coolant": 373.15, "engine_oil": 383.15, "air": 303.15})
    assert leg.along == ("needles", "kingman", 10_000.0)
    assert (leg.oil_pressure_pa, leg.rpm, leg.note) == (pytest.approx(310_264.0, rel=1e-4), 2600.0, "hot")
    assert read(HEAD) == ((), [])  # headings alone wait for the first row


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
    _, (told,) = read(HEAD + row + "\n")
    assert (told.file, told.row, told.column, told.code) == ("readings.csv", 2, column, code)
