"""weather.csv: units, pairs, dates, and every problem at once."""

from datetime import date

import pytest

from planner.files.reading import Problems
from planner.files.rows import parse_weather, read_weather_file
from planner.model.errors import TripError

PLACES = {"raton": "Raton, New Mexico", "trinidad": "Trinidad"}
HEAD = "place,date,high [degF],low [degF],humidity [%],wind [mph],wind_from [deg]\n"


def read(text):
    problems = Problems()
    return parse_weather(text, places=PLACES, problems=problems), problems.sentences()


WARM = (303.15, 283.15)  # 86 and 50 degF
METRIC = "# from the forecast of Monday\nplace;date;high [degC];low [degC];wind [km/h];wind_from [deg]\n"


@pytest.mark.parametrize(
    ("text", "day", "numbers"),
    [
        (HEAD + "raton,2027-07-10,86,50,35,20,270\n", 10, (*WARM, 0.35, 8.9408, 270.0)),
        (HEAD + '"Raton, new mexico",7/26/2027,86 F,50°F,35 %,20 MPH,270°\n', 26, (*WARM, 0.35, 8.9408, 270.0)),
        (METRIC + "raton;2027-07-10;30,5;12;36;90\n", 10, (303.65, 285.15, None, 10.0, 90.0)),
        (HEAD + "raton,2027-07-10,86,50,,,\n", 10, (*WARM, None, None, None)),
        (HEAD + "raton,2027-07-10,,,40,0,\n", 10, (None, None, 0.4, 0.0, None)),  # calm needs no direction
    ],
)
def test_a_row_in_si(text, day, numbers):
    (row,), told = read(text)
    assert told == []
    assert (row.place, row.date) == ("raton", date(2027, 7, day))
    got = (row.high_k, row.low_k, row.humidity, row.wind_m_per_s, row.wind_from_deg)
    assert got == pytest.approx(numbers)


@pytest.mark.parametrize(
    ("row", "column", "code"),
    [
        ("ratton,2027-07-10,86,50,,,", "place", "unknown-place"),
        ("raton,10.17.2027,86,50,,,", "date", "date"),
        ("raton,2027-02-30,86,50,,,", "date", "date"),
        ("raton,2027-W10-1,86,50,,,", "date", "date"),
        ("raton,2027-07-10,50,86,,,", "low [degF]", "order"),
        ("raton,2027-07-10,86,,,,", "high [degF]", "missing-value"),
        ("raton,2027-07-10,,,,20,", "wind [mph]", "missing-value"),
        ("raton,2027-07-10,,,,,90", "wind_from [deg]", "missing-value"),
        ("raton,2027-07-10,86,50,140,,", "humidity [%]", "out-of-range"),
        ("raton,2027-07-10,86,50,,20,400", "wind_from [deg]", "out-of-range"),
        ("raton,2027-07-10,,,,,", "place", "missing-value"),
    ],
)
def test_faulty_rows(row, column, code):
    problems = Problems()
    parse_weather(HEAD + row + "\n", places=PLACES, problems=problems)
    assert [(one.file, one.row, one.column, one.code) for one in problems.found()] == [("weather.csv", 2, column, code)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD + "raton,8/6/2027,86,50,35,20,270\n", "it may be 6 August or 8 June; write 2027-08-06 or 2027-06-08"),
        (
            HEAD + 2 * "raton,2027-07-10,86,50,,,\n",
            "row 3, column 'date': 'raton' on 2027-07-10 is also in row 2; keep",
        ),
        ("place,date,high [degF]\n", "needs the column 'low' too"),
    ],
)
def test_what_is_asked(text, said):
    assert said in read(text)[1][0]


def test_folder_without_one(tmp_path):
    assert read_weather_file(tmp_path, {}) == ()
    (tmp_path / "weather.csv").symlink_to("forecast.csv")
    with pytest.raises(TripError, match=r"^weather.csv: is a broken link"):
        read_weather_file(tmp_path, {})
