"""Settings and car as sheets of trip.xlsx: the same trip and car as from TOML, one place for each, faults by row."""

from datetime import time

import pytest
from openpyxl import load_workbook

import planner
from planner.files.folder import new_spreadsheet, open_folder
from planner.files.reading import Problems
from planner.files.settingsheets import CAR, SETTINGS, data_of
from planner.files.workbook import cell_text
from planner.model.errors import TripError


@pytest.fixture
def folder(tmp_path):
    new_spreadsheet(tmp_path / "trip", "wilmington-astoria")
    return tmp_path / "trip"


def put(folder, sheet, **values):
    """Set values by key, adding rows for keys that are not there."""
    path = folder / "trip.xlsx"
    book = load_workbook(path)
    rows = {row[0].value: row for row in book[sheet].iter_rows(min_row=2)}
    for key, value in values.items():
        key = key.replace("__", ".")
        if key in rows:
            rows[key][1].value = value
        else:
            book[sheet].append([key, value])
    book.save(path)
    return folder


def test_what_is_typed_there_counts(folder):
    put(folder, SETTINGS, day__driving="5 h", nights="", air_conditioning="no", risk=0.1, fuel_use="16 mpg")
    put(folder, CAR, trailer__mass="900 lb", cooling__condition="original")
    trip, car = open_folder(folder)
    assert trip.day.driving_s == 5 * 3600.0
    assert trip.nights == ()
    assert not trip.air_conditioning
    assert trip.risk == 0.1
    assert trip.fuel_use_m2 == pytest.approx(1.470e-7, rel=1e-3)  # 16 US mpg is 14.70 L/100 km (NIST SP 811, B.8)
    assert car.vehicle.trailer.mass_kg == pytest.approx(408.23, abs=0.01)  # 900 lb avoirdupois
    assert car.vehicle.cooling.condition == "original"
    assert planner.check(folder).to_dict()["trip"] == trip.name


def test_each_thing_is_said_in_one_place(folder):
    (folder / "trip.toml").write_text('start = "a"\n', encoding="utf-8")
    (folder / "vehicle.toml").write_text('base = "minivan-1990s"\n', encoding="utf-8")
    with pytest.raises(TripError) as caught:
        open_folder(folder)
    said = "\n".join(caught.value.problems)
    assert "trip.xlsx: the sheet 'settings' and trip.toml both exist; remove one" in said
    assert "trip.xlsx: the sheet 'car' and vehicle.toml both exist; remove one" in said


@pytest.mark.parametrize(
    ("sheet", "values", "where", "code"),
    [
        (SETTINGS, {"day__driving": "fast"}, "trip.toml key 'day.driving'", "invalid-value"),
        (SETTINGS, {"departuer": "2027-07-06 07:00"}, "trip.toml key 'departuer'", "unknown-key"),
        (SETTINGS, {"what is this?": "x"}, "trip.xlsx [settings] row 38", "unknown-key"),
        (SETTINGS, {"name__x": "x"}, "trip.xlsx [settings] row 38", "duplicate"),
        (CAR, {"base": "rocket"}, "", "vehicle"),
        (CAR, {"trailr__mass": "1 kg"}, "", "vehicle"),
        (CAR, {"base": None}, "", "vehicle"),
    ],
)
def test_faults_are_told(folder, sheet, values, where, code):
    put(folder, sheet, **values)
    with pytest.raises(TripError) as caught:
        open_folder(folder)
    (found,) = caught.value.found
    assert (found.where, found.code) == (where, code)
    assert found.file or found.text.startswith("trip.xlsx [car]: ")


def test_lists_choose_and_help_tells(folder):
    book = load_workbook(folder / "trip.xlsx")
    for sheet in (SETTINGS, CAR):
        rows = {row[0].value: row for row in book[sheet].iter_rows(min_row=2) if row[0].value}
        assert all(row[2].value for key, row in rows.items() if key in ("departure", "base", "trailer.mass"))
        listed = {cell for rule in book[sheet].data_validations.dataValidation for cell in str(rule.sqref).split()}
        for key in {"units", "prefer", "base", "trailer.kind", "cooling.condition"} & set(rows):
            assert f"B{rows[key][1].row}" in listed, key
    rules = book[CAR].data_validations.dataValidation
    assert all(len(rule.formula1) <= 255 for rule in rules)


def test_a_cell_that_is_no_text_and_tables_by_number():
    problems = Problems()
    rows = [
        (2, ["halt[2].place", "b"]),
        (3, ["halt[1].place", "a"]),
        (4, ["day.start", cell_text(time(8))]),
        (5, ["name", ""]),
    ]
    assert data_of(rows, SETTINGS, problems) == {"halt": [{"place": "a"}, {"place": "b"}], "day": {"start": "08:00"}}
    assert not len(problems)
