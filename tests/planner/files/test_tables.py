"""Reading CSV tables: delimiters, headings with units, rows counted as a spreadsheet does, what is refused."""

from pathlib import Path

import pytest

from planner.files import limits
from planner.files.reading import Problems, read_text
from planner.files.tables import Column, InputTable, read_table
from planner.model.errors import Problem, TripError

PLACE = Column(name="place", example="raton")
CLIMB = Column(name="elevation", number=True, unit="m", usual=("ft", "m"), low=-450.0, high=6500.0)
HEAT = Column(name="high", required=False, number=True, unit="K", usual=("degF", "degC"), low=213.15, high=333.15)
NOTE = Column(name="note", required=False)


def read(text: str, *, max_rows: int = 100) -> tuple[InputTable | None, list[Problem]]:
    problems = Problems()
    columns = (PLACE, CLIMB, HEAT, NOTE)
    table = read_table(text, file="t.csv", columns=columns, max_rows=max_rows, problems=problems)
    for row in () if table is None else table.rows:
        row.text("place")
        row.value("elevation")
        row.value("high")
    return table, list(problems.found())


def values(text: str, name: str = "elevation") -> list[float | None]:
    table, problems = read(text)
    assert problems == []
    return [row.value(name) for row in table.rows]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters_and_line_ends(delimiter: str, end: str) -> None:
    text = end.join(["place,elevation [ft]", "a,1000", "b,-10", ""]).replace(",", delimiter)
    # 1 ft = 0.3048 m exactly: international yard and pound agreement, 1959 (from memory)
    assert values(text) == pytest.approx([304.8, -3.048], rel=1e-12)


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ('place,elevation [m]\na,"1,250"\nb,7.5\n', [1250.0, 7.5]),  # the point is the decimal mark here
        ("place;elevation [m]\na;1,250\nb;7.5\n", [1250.0, 7.5]),
        ("place;elevation [m]\na;1,250\nb;7,5\n", [1.25, 7.5]),
        ("place,elevation (m)\na,12 m\nb,7 M\n", [12.0, 7.0]),
        ("place,elevation [feet]\na,10 ft\nb,20'\n", [3.048, 6.096]),
        ("“place”,elevation [m]\n“a, north”,12\n“b”,7\n", [12.0, 7.0]),
        ("place,elevation [m],,\na,1,,\nb,2\n,,,\n", [1.0, 2.0]),  # empty columns and rows of a spreadsheet
        ("place;elevation [m]\na;12,5\nb;7\n", [12.5, 7.0]),
        ("place,elevation [m]\na,+7\nb,.5\n", [7.0, 0.5]),
        ("place,elevation [m]\na,5.\nb,1e2\n", [5.0, 100.0]),
        ("place,elevation [m]\na,\u22125\n", [-5.0]),
    ],
)
def test_what_can_mean_one_thing_only_is_read(text: str, want: list[float]) -> None:
    assert values(text) == pytest.approx(want)


def test_rows_are_counted_as_a_spreadsheet_shows_them() -> None:
    text = '#a comment,"with a quote\nplace,elevation [m],note\n\na,1,"two\n# lines"\n#b,2,\nc,abc,\n'
    table, problems = read(text)
    assert [row.number for row in table.rows] == [4, 6]  # the two-line cell is one row
    assert table.rows[0].cell("note") == "two # lines"
    assert [(p.row, p.code) for p in problems] == [(6, "not-a-number")]


FEET, METRES = "place,elevation [ft]\n", "place,elevation [m]\n"
# The text, the row and code of what is wrong with it, and what is told besides.
REFUSED = [
    ("place,elevation\na,1\n", 1, "heading", "the unit is missing; write 'elevation [ft]' or 'elevation [m]'"),
    ("place,elevation []\na,1\n", 1, "heading", "the unit is missing; write 'elevation [ft]' or 'elevation [m]'"),
    ("place,elevation (furlog)\na,1\n", 1, "heading", "'furlog' is not a unit of elevation; write 'elevation [ft]' or"),
    ("place,elevation [degF]\na,1\n", 1, "heading", "'degF' is not a unit of elevation"),
    ("place,elevation [m**99999999]\na,1\n", 1, "heading", "'m**99999999' is not a unit of elevation"),
    ("", 0, "empty", "the first row must be the headings place, elevation, high, note"),
    ("# only this\n\n", 0, "empty", ""),
    (METRES, 1, "empty", ""),
    (METRES + 'a,1\n"b,2\n', 3, "unreadable", "this row or the next cannot be split into cells"),
    (METRES + "a,1,stray\n", 2, "heading", "read 'stray' in a column without a heading"),
    (METRES + "a,\n", 2, "missing-value", ""),
    (METRES + "a,12 ft\n", 2, "not-a-number", "the heading says m; write 3.658, or change the heading"),
    (METRES + "a,12 kg\n", 2, "not-a-number", "its unit differs from the heading's, m"),
    (METRES + "a,7O\n", 2, "not-a-number", "a letter for a digit? Write 70"),
    (METRES + "a,6l\n", 2, "not-a-number", "a letter for a digit? Write 61"),
    ("place,elevation [m],high [degC]\na,12,5,20\n", 2, "not-a-number", "decimal comma? Write 12.5 for 12,5"),
    (METRES + 'a,"12,5"\n', 2, "not-a-number", "write a decimal point, e.g. 12.5"),
    (METRES + 'a,"1,250"\n', 2, "not-a-number", "write thousands without a comma, e.g. 1250"),
    # '1.250' is 1250 to who writes decimal commas, and 1.25 to float()
    ("place;elevation [m]\na;12,5\nb;1.250\n", 3, "not-a-number", "this file has decimal"),
    (METRES + "a,9000\n", 2, "out-of-range", "allowed is -450 m to 6,500 m; is it in ft?"),
    (FEET + "a,99000\n", 2, "out-of-range", "allowed is -1,476 ft to 21,325 ft; check the number and the unit"),
    ("place,elevation [m],high [degC]\na,1,95\n", 2, "out-of-range", "is it in degF?"),
    *((f"{METRES}a,{cell}\n", 2, "not-a-number", "") for cell in ("nan", "inf", "-inf", "1e999", "1_000", "१२")),
    *((f"{METRES}a,{cell}\n", 2, "not-a-number", "") for cell in ("0x10", "--5", "1e", ".")),
]


@pytest.mark.parametrize(("text", "row", "code", "hint"), REFUSED)
def test_what_is_refused(text: str, row: int, code: str, hint: str) -> None:
    _, (problem,) = read(text)
    assert (problem.row, problem.code) == (row, code)
    assert hint in problem.text


def test_heading_faults_are_all_told() -> None:
    _, problems = read("place [m],high [degF],high [degC],elevaton [ft],wind [m/s]\na,1,2,3,4\n")
    assert [(problem.column, problem.text.rpartition("; ")[2]) for problem in problems] == [
        ("place [m]", "write 'place'"),
        ("high [degC]", "keep one"),
        ("elevaton [ft]", "did you mean 'elevation'?"),
        ("wind [m/s]", "allowed: place, elevation, high, note"),
        ("", "add it"),
    ]


def test_row_cap() -> None:
    table, problems = read(METRES + "a,1\n" * 11, max_rows=10)
    assert len(table.rows) == 10
    assert [str(p) for p in problems] == ["t.csv: has more than 10 rows; remove rows, or split the trip"]


def test_problems_are_sorted_and_capped() -> None:
    problems = Problems()
    for row in range(limits.SENTENCES + 7, 0, -1):
        problems.add("b.csv", "bad", row=row)
    problems.add("a.csv", "worse", column="x")
    sentences = problems.sentences()
    assert sentences[:3] == ["a.csv, column 'x': worse", "b.csv row 1: bad", "b.csv row 2: bad"]
    assert sentences[-1] == "... and 8 more"
    assert TripError(problems.found()).problems[-1] == "... and 8 more"


@pytest.mark.parametrize(
    ("data", "row", "said"),
    [
        (b"place\nZ\xfcrich\n", 2, "has bytes that are not UTF-8 text"),
        ("place\n".encode("utf-32"), 0, "is not UTF-8 text"),
        ("place\n".encode("utf-16-le"), 0, "is not UTF-8 text"),
        (
            b"PK\x03\x04\x14\x00\xff",
            0,
            "is a spreadsheet or zip archive, not text; save it as 'CSV UTF-8', or as plain text",
        ),
        (b"<!DOCTYPE html>\n<p>", 0, "is a web page; download the file itself, perhaps after signing in"),
        (b"place\n\na\x00b\n", 3, "U+0000"),
        (b"place\n\x1b[31m\n", 2, "has the unprintable character U+001B; delete it"),
    ],
)
def test_unreadable_bytes(tmp_path: Path, data: bytes, row: int, said: str) -> None:
    (tmp_path / "t.csv").write_bytes(data)
    problems = Problems()
    assert read_text(tmp_path / "t.csv", file="t.csv", problems=problems) is None
    (found,) = problems.found()
    assert (found.file, found.row, found.code) == ("t.csv", row, "encoding")
    assert said in found.text


@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_table_as_a_spreadsheet_saves_it(tmp_path: Path, code: str) -> None:
    """Semicolons, decimal commas, empty columns and rows at the end, line ends of another system, any code."""
    (tmp_path / "t.csv").write_bytes(("place;elevation [m];;\r\nÅre;12,5;;\r\n;;;\r\n;;;\r\n\r\n").encode(code))
    text = read_text(tmp_path / "t.csv", file="t.csv", problems=Problems())
    assert values(str(text)) == [12.5]
