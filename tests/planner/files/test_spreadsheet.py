"""trip.xlsx instead of CSV tables: reads the same, says the same, and nothing in it raises anything but TripError."""

import csv
import io
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path

import pytest
from archives import repacked
from hypothesis import example, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.styles import Font

from planner.files.folder import examples, new_folder, new_spreadsheet, open_folder, read_trip
from planner.files.reading import Problems
from planner.files.rows import LEG_COLUMNS, PLACE_COLUMNS
from planner.files.settingsheets import ROWS
from planner.files.template import HELP, write_template
from planner.files.workbook import SKIPPED, read_sheets
from planner.model.errors import OutputError, PlannerError, Problem, TripError
from planner.model.trip import Trip

PLACES: list[list[object]] = [
    ["place", "name", "lat", "lon", "elevation [ft]", "kind", "services", "high [degF]", "low [degF]"],
    ["trinidad", "Trinidad", 37.17, -104.50, 6025, "town", "fuel lodging", 90, 57],
    ["raton-pass", "Raton Pass", 36.99, -104.49, 7834, "pass", "parking", None, None],
    ["raton", "Raton", 36.90, -104.44, 6680, "town", "fuel lodging food", 88, 56.5],
]
LEGS: list[list[object]] = [
    ["from", "to", "distance [mi]", "speed [mph]", "road", "two_way", "open"],
    ["trinidad", "raton-pass", 14, 55, "I-25", True, "yes"],
    ["raton-pass", "raton", 8.5, 55, 25, False, None],
]
TOML = 'start = "trinidad"\nfinish = "raton"\ndeparture = "2027-07-06 07:00"\n'
Edit = Callable[[Workbook], object]


def book(edit: Edit = lambda _: None) -> Workbook:
    made = Workbook()
    made.remove(made.worksheets[0])
    for name, rows in (("places", PLACES), ("legs", LEGS)):
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    edit(made)
    return made


def folder_with(folder: Path, content: Workbook | bytes) -> Path:
    (folder / "trip.toml").write_text(TOML, encoding="utf-8")
    if isinstance(content, bytes):
        (folder / "trip.xlsx").write_bytes(content)
    else:
        content.save(folder / "trip.xlsx")
    return folder


def problems_of(folder: Path, content: Workbook | bytes) -> Sequence[Problem]:
    with pytest.raises(TripError) as caught:
        read_trip(folder_with(folder, content))
    assert all(sentence.isprintable() for sentence in caught.value.problems)
    return caught.value.found


def saved(content: Workbook) -> bytes:
    out = io.BytesIO()
    content.save(out)
    return out.getvalue()


def sheets_of(folder: Path, content: Workbook | bytes, *, rows: int = 99) -> tuple[dict[str, int], list[str]]:
    """How many rows each sheet has, and what is wrong with them."""
    problems = Problems()
    sheets = read_sheets(folder_with(folder, content), max_rows={"places": rows, "legs": rows}, problems=problems)
    return {name: len(held) for name, held in sheets.items()}, problems.sentences()


SHEET = "xl/worksheets/sheet1.xml"  # places
BOOK = "xl/workbook.xml"


def same(a: Trip, b: Trip) -> None:
    """Equal but for where they lie and what the files are called in sentences."""
    assert replace(a, folder=b.folder, name=b.name, assumptions=()) == replace(b, assumptions=())
    said = "\n".join(a.assumptions).replace("trip.xlsx [places]", "places.csv").replace("trip.xlsx [legs]", "legs.csv")
    assert said.splitlines() == list(b.assumptions)


# --- equal to the CSV tables ---


@pytest.mark.parametrize("name", examples())
def test_every_example_reads_back_equal(name: str, tmp_path: Path) -> None:
    written = new_spreadsheet(tmp_path / "sheets", name)
    assert "trip.xlsx" in written
    assert not {"places.csv", "legs.csv", "trip.toml", "vehicle.toml"} & set(written)
    assert set(written) == {str(p.relative_to(tmp_path / "sheets")) for p in (tmp_path / "sheets").rglob("*.*")}
    new_folder(tmp_path / "tables", name)
    (trip, car), (plain, own) = (open_folder(tmp_path / kind) for kind in ("sheets", "tables"))
    same(trip, plain)
    assert (car.vehicle, car.base) == (own.vehicle, own.base)


def write_csvs(folder: Path, places: list[list[object]], legs: list[list[object]]) -> Path:
    (folder / "trip.toml").write_text(TOML, encoding="utf-8")
    for name, rows in (("places.csv", places), ("legs.csv", legs)):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(rows)
    return folder


def test_typed_cells_read_as_their_text(tmp_path: Path) -> None:
    for name in ("sheets", "tables"):
        (tmp_path / name).mkdir()
    trip = read_trip(folder_with(tmp_path / "sheets", book()))
    assert [(leg.road, leg.two_way, leg.open) for leg in trip.legs] == [("I-25", True, True), ("25", False, True)]
    words = {True: "yes", False: "no"}
    legs = [[words[cell] if isinstance(cell, bool) else cell for cell in row] for row in LEGS]
    same(trip, read_trip(write_csvs(tmp_path / "tables", PLACES, legs)))


WORDS = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=12).map(
    lambda text: " ".join(text.split())
)


@settings(max_examples=60, deadline=None)
@given(
    names=st.lists(WORDS.filter(bool), min_size=3, max_size=3),
    note=WORDS,
    lat=st.integers(36_970_000, 37_000_000).map(lambda micro: micro / 1e6),
    miles=st.integers(1500, 4000).map(lambda hundredths: hundredths / 100),
    comma=st.booleans(),
)
@example(names=["=1+1", "+2", "@x"], note="#REF!", lat=37.0, miles=15.5, comma=False)
@example(names=["1e5", "0012", "TRUE"], note="_x0041_", lat=37.0, miles=16.125, comma=True)
def test_any_texts_and_numbers_survive(names: list[str], note: str, lat: float, miles: float, comma: bool) -> None:
    places = [list(row) for row in PLACES]
    for row, name in zip(places[1:], names, strict=True):
        row[1] = name
    places[2][2] = lat
    legs = [[*LEGS[0][:5], "note"], [*LEGS[1][:5], note], [*LEGS[2][:5], ""]]
    legs[1][2] = miles
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        write_csvs(Path(one), places, legs)
        if comma:
            for file, rows in (("places.csv", places), ("legs.csv", legs)):
                texts = [[repr(c).replace(".", ",") if isinstance(c, float) else c for c in row] for row in rows]
                with (Path(one) / file).open("w", encoding="utf-8", newline="") as out:
                    csv.writer(out, delimiter=";").writerows(texts)
        write_template(Path(two) / "trip.xlsx", Path(one))
        (Path(two) / "trip.toml").write_text(TOML, encoding="utf-8")
        same(read_trip(Path(two)), read_trip(Path(one)))


# --- the template ---


@pytest.mark.parametrize(("example", "unit"), [("minimal", "degF"), ("alps", "degC")])
def test_the_template_explains_itself_in_the_trip_s_units(tmp_path: Path, example: str, unit: str) -> None:
    new_spreadsheet(tmp_path / "t", example)
    made = load_workbook(tmp_path / "t" / "trip.xlsx")
    assert made.sheetnames == ["places", "legs", "settings", "car", "notes"]
    assert set(made.sheetnames) <= {*ROWS, *SKIPPED}
    heads = [cell for name in ("places", "legs") for cell in made[name][1]]
    columns = [column.name for column in (*PLACE_COLUMNS, *LEG_COLUMNS)]
    assert [str(cell.value).partition(" [")[0] for cell in heads] == columns
    assert [cell.comment.text for cell in heads] == [HELP[name] for name in columns]
    assert set(HELP) == set(columns)
    assert f"high [{unit}]" in [cell.value for cell in heads]
    assert isinstance(made["places"]["C2"].value, float)
    lists = {rule.formula1 for name in ("places", "legs") for rule in made[name].data_validations.dataValidation}
    assert '"yes,no"' in lists
    assert made["notes"]["A1"].value is not None


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a").write_text("x", encoding="utf-8")
    with pytest.raises(PlannerError, match="already contains files"):
        new_spreadsheet(tmp_path / "full", "minimal")
    with pytest.raises(PlannerError, match="does not exist; available: "):
        new_spreadsheet(tmp_path / "new", "none")
    new_folder(tmp_path / "t", "minimal")
    (tmp_path / "x.xlsx").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="nothing was overwritten"):
        write_template(tmp_path / "x.xlsx", tmp_path / "t")
    (tmp_path / "t" / "legs.csv").write_text("from\n", encoding="utf-8")
    with pytest.raises(TripError, match=r"legs.csv row 1: the column 'to' is missing"):
        write_template(tmp_path / "y.xlsx", tmp_path / "t")


# --- one slip, one sentence ---


def put(sheet: str, cell: str, value: object) -> Edit:
    def edit(made: Workbook) -> None:
        made[sheet][cell] = value

    return edit


PLACES_AT, LEGS_AT = "trip.xlsx [places]", "trip.xlsx [legs]"
HEIGHT = f"{PLACES_AT} row 4, column 'elevation [ft]'"
SLIPS: list[tuple[Edit, str, str, str]] = [
    (put("places", "E4", "abc"), HEIGHT, "not-a-number", "read 'abc'"),
    (put("places", "E4", None), HEIGHT, "missing-value", "the cell is empty"),
    (put("places", "E4", True), HEIGHT, "not-a-number", "read 'yes'"),
    (put("places", "E4", datetime(2027, 5, 6)), HEIGHT, "not-a-number", "read '2027-05-06'"),
    (put("places", "E4", datetime(2027, 5, 6, 7, 30)), HEIGHT, "not-a-number", "read '2027-05-06 07:30'"),
    (put("places", "E4", date(2027, 5, 6)), HEIGHT, "not-a-number", "read '2027-05-06'"),
    (put("places", "E4", time(7, 30)), HEIGHT, "not-a-number", "read '07:30'"),
    (put("places", "K3", "stray"), f"{PLACES_AT} row 3", "heading", "in a column without a heading"),
    (put("places", "E4", "=1000*7"), f"{PLACES_AT} row 4, column 'E'", "cell-error", "the formula has no stored value"),
    (put("places", "E4", "#REF!"), f"{PLACES_AT} row 4, column 'E'", "cell-error", "the cell shows '#REF!'"),
    (put("places", "B4", "a\x85b\x9b"), f"{PLACES_AT} row 4, column 'B'", "encoding", "U+009B"),
    (put("legs", "A3", "raton-pas"), f"{LEGS_AT} row 3, column 'from'", "unknown-place", "not in trip.xlsx [places]"),
    (put("legs", "C3", 1), f"{LEGS_AT} row 3, column 'distance [mi]'", "distance", "1 mi by road"),
    (put("legs", "G3", False), "trip.toml key 'finish'", "unknown-place", "trip.xlsx [legs] row 3, 'raton-pass'"),
    (lambda b: b["places"].merge_cells("F2:F4"), f"{PLACES_AT} row 2", "merged-cells", "F2:F4 are merged"),
    (lambda b: b.remove(b["legs"]), "trip.xlsx", "missing-sheet", "add it with its headings in the first row"),
    (lambda b: setattr(b["legs"], "title", "leg"), "trip.xlsx", "unknown-sheet", "did you mean 'legs'?"),
    (lambda b: b.create_sheet("Zoo").append(["x"]), "trip.xlsx", "unknown-sheet", "allowed: places, legs, settings"),
    (lambda b: b["legs"].delete_rows(1, 9), LEGS_AT, "empty", "the first row must be the headings from, to"),
    (lambda b: b["legs"].delete_rows(2, 9), f"{LEGS_AT} row 1", "empty", "has headings but no rows"),
]


@pytest.mark.parametrize(("edit", "where", "code", "said"), SLIPS)
def test_one_slip(edit: Edit, where: str, code: str, said: str, tmp_path: Path) -> None:
    found = problems_of(tmp_path, book(edit))
    assert any((one.where, one.code) == (where, code) and said in one.text for one in found), found
    assert len(found) <= 3, found


def test_hidden_and_filtered_rows_are_not_read_without_a_word(tmp_path: Path) -> None:
    def hide(workbook: Workbook) -> None:
        workbook["legs"].auto_filter.ref = "A1:D9"
        workbook["legs"].row_dimensions[3].hidden = True

    _, (told,) = sheets_of(tmp_path, book(hide))
    assert "1 row hidden or filtered, and hidden rows are read too" in told


def test_csv_files_and_sheets_at_once_are_refused(tmp_path: Path) -> None:
    write_csvs(tmp_path, PLACES, LEGS)
    (both,) = problems_of(tmp_path, book())
    assert both.text == "places.csv and legs.csv are also in the folder; remove trip.xlsx or places.csv and legs.csv"
    (tmp_path / "places.csv").unlink()
    assert problems_of(tmp_path, book())[0].text.startswith("legs.csv is also in the folder; remove")


# --- allowed untidiness ---


def test_formulas_with_stored_values_are_read(tmp_path: Path) -> None:
    data = saved(book(put("places", "E4", "=6000+680")))
    value = b"<v>6680</v>"
    stored = repacked(data, {SHEET: lambda part: part.replace(b"<v></v>", value).replace(b"<v />", value)})
    trip = read_trip(folder_with(tmp_path, stored))
    assert trip.places["raton"].elevation_m == pytest.approx(6680 * 0.3048, rel=1e-12)


def test_remarks_other_sheets_and_empty_cells_do_no_harm(tmp_path: Path) -> None:
    def edit(made: Workbook) -> None:
        made["places"].insert_rows(1, 2)
        made["places"]["A1"] = "# heights from the map"
        made["places"].merge_cells("A1:I1")
        made["places"]["Z900"].font = Font(bold=True)
        made["legs"]["A5000"].font = Font(bold=True)
        made["legs"]["C1048576"] = " "
        made["legs"].title = " Legs"
        made.create_sheet("Weather").append(["place", "date"])
        made.create_sheet("notes").merge_cells("A1:B2")
        made.create_sheet("Sheet3")

    (tmp_path / "plain").mkdir()
    trip = read_trip(folder_with(tmp_path, book(edit)))
    same(trip, replace(read_trip(folder_with(tmp_path / "plain", book())), name=trip.name))


def test_rows_are_capped(tmp_path: Path) -> None:
    counts, told = sheets_of(tmp_path, book(), rows=2)
    assert counts == {"places": 3, "legs": 3}
    assert told == ["trip.xlsx [places]: has more than 2 rows; remove rows, or split the trip"]


# --- hostile archives ---


def all_merged(part: bytes) -> bytes:
    return part.replace(b"</sheetData>", b'</sheetData><mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>')


DATA = saved(book())
LAUGHS = b'<!DOCTYPE w [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'
UNREADABLE = "unreadable"
REFUSED: list[tuple[bytes, str, str]] = [
    (b"", UNREADABLE, "is not a spreadsheet; save it as .xlsx"),
    (b"place,name", UNREADABLE, "is not a spreadsheet"),
    (b"\xd0\xcf\x11\xe0" + b"\0" * 600, UNREADABLE, "has a password, or is a renamed .xls file"),
    (DATA[:-200], UNREADABLE, "is damaged or was saved only in part; save or copy it again"),
    (repacked(DATA, {SHEET: lambda part: (LAUGHS + part).decode().encode("utf-16")}), UNREADABLE, "a document type in"),
    (repacked(DATA, {SHEET: all_merged}), UNREADABLE, "merged or linked cells, 17,179,869,184 in total; unmerge them"),
    (repacked(DATA, {BOOK: lambda part: part[:-9]}), UNREADABLE, "cannot be read as a spreadsheet ("),
    (repacked(DATA, {BOOK: lambda part: b"<a/>"}), "missing-sheet", ""),
    (repacked(DATA, {SHEET: lambda part: part.replace(b'r="E4"', b'r="EEEEEEEE4"')}), UNREADABLE, "cannot be read"),
    (repacked(DATA, {"[Content_Types].xml": lambda _: b"<Types/>"}), UNREADABLE, "cannot be read"),
]


@pytest.mark.parametrize(("data", "code", "said"), REFUSED)
def test_hostile_archives_are_refused(data: bytes, code: str, said: str, tmp_path: Path) -> None:
    found = problems_of(tmp_path, data)
    assert [one for one in found if (one.file, one.code) == ("trip.xlsx", code) and said in one.text], found


def test_a_row_number_beyond_any_sheet_ends(tmp_path: Path) -> None:
    far = repacked(DATA, {SHEET: lambda part: part.replace(b'<row r="4"', b'<row r="99999999999999"')})
    assert far != DATA
    assert sheets_of(tmp_path, far)[0]["places"] == 3


@pytest.mark.parametrize(
    ("file", "data", "code", "words"),
    [
        ("trip.xlsx", DATA[:-200], UNREADABLE, "save or copy it again"),
        ("trip (1).xlsx", DATA, "file-access", "found 'trip (1).xlsx': rename it to trip.xlsx"),
        ("trip.ods", DATA, "file-access", "found 'trip.ods': open it and save it as trip.xlsx"),
    ],
)
def test_a_folder_of_one_spreadsheet_has_one_problem(
    tmp_path: Path, file: str, data: bytes, code: str, words: str
) -> None:
    (tmp_path / file).write_bytes(data)
    with pytest.raises(TripError) as caught:
        open_folder(tmp_path)
    (found,) = caught.value.found
    assert (found.file, found.code) == ("trip.xlsx", code)
    assert found.text.endswith(words)
