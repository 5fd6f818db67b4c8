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


def test_a_row_in_si():
    (row,), told = read(HEAD + "raton,2027-07-10,86,50,35,20,270\n")
    assert told == []
    assert (row.place, row.date) == ("raton", date(2027, 7, 10))
    assert (row.high_k, row.low_k) == pytest.approx((303.15, 283.15))
    assert (row.humidity, row.wind_m_per_s, row.wind_from_deg) == pytest.approx((0.35, 8.9408, 270.0))


def test_names_and_dates_as_people_write_them():
    (row,), told = read(HEAD + '"Raton, new mexico",7/26/2027,86 F,50°F,35 %,20 MPH,270°\n')
    assert told == []
    assert (row.place, row.date, row.high_k) == ("raton", date(2027, 7, 26), pytest.approx(303.15))
    assert (row.humidity, row.wind_m_per_s, row.wind_from_deg) == pytest.approx((0.35, 8.9408, 270.0))


def test_a_date_that_may_be_two_is_asked_about():
    _, told = read(HEAD + "raton,8/6/2027,86,50,35,20,270\n")
    assert told == [
        "weather.csv row 2, column 'date': read '8/6/2027'; it may be 6 August or 8 June; "
        "write 2027-08-06 or 2027-06-08"
    ]


def test_metric_with_semicolons_commas_and_comment():
    head = "place;date;high [degC];low [degC];wind [km/h];wind_from [deg]"
    text = f"# from the forecast of Monday\n{head}\nraton;2027-07-10;30,5;12;36;90\n"
    (row,), told = read(text)
    assert told == []
    assert (row.high_k, row.wind_m_per_s, row.humidity) == (303.65, pytest.approx(10.0), None)


def test_cells_may_be_empty_and_calm_needs_no_direction():
    rows, told = read(HEAD + "raton,2027-07-10,86,50,,,\ntrinidad,2027-07-10,,,40,0,\n")
    assert told == []
    assert (rows[0].humidity, rows[1].high_k, rows[1].wind_m_per_s) == (None, None, 0.0)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("ratton,2027-07-10,86,50,,,", "did you mean 'raton'?"),
        ("raton,10.17.2027,86,50,,,", "write year-month-day"),
        ("raton,2027-02-30,86,50,,,", "write year-month-day"),
        ("raton,2027-W10-1,86,50,,,", "write year-month-day"),
        ("raton,2027-07-10,50,86,,,", "above the high"),
        ("raton,2027-07-10,86,,,,", "is given without 'low'"),
        ("raton,2027-07-10,,,,20,", "is given without 'wind_from'"),
        ("raton,2027-07-10,,,,,90", "is given without 'wind'"),
        ("raton,2027-07-10,86,50,140,,", "allowed is 0 % to 100 %"),
        ("raton,2027-07-10,86,50,,20,400", "allowed is 0 deg to 360 deg"),
        ("raton,2027-07-10,186,50,,,", "allowed is"),
        ("raton,2027-07-10,,,,,", "the row has no values"),
        ("raton,2027-07-10,hot,50,,,", "write a number"),
    ],
)
def test_faulty_rows(row, told):
    _, sentences = read(HEAD + row + "\n")
    assert len(sentences) == 1
    assert sentences[0].startswith("weather.csv row 2, column '")
    assert told in sentences[0]


def test_same_place_and_date_twice():
    _, told = read(HEAD + "raton,2027-07-10,86,50,,,\nraton,2027-07-10,88,50,,,\n")
    assert told == ["weather.csv row 3, column 'date': 'raton' on 2027-07-10 is also in row 2; keep one"]


@pytest.mark.parametrize(
    ("head", "told"),
    [
        ("place,date,high,low [degF]", "write 'high [degF]' or 'high [degC]'"),
        ("place,date,high [degF]", "needs the column 'low' too"),
        ("place,date,humidty [%]", "did you mean 'humidity'?"),
        ("place,high [degF],low [degF]", "the column 'date' is missing"),
        ("place,date,wind [degF],wind_from [deg]", "not a unit of wind"),
    ],
)
def test_faulty_headings(head, told):
    _, sentences = read(head + "\n")
    assert any(told in sentence for sentence in sentences)


def test_folder_without_one(tmp_path):
    assert read_weather_file(tmp_path, {}) == ()
    (tmp_path / "weather.csv").symlink_to("forecast.csv")
    with pytest.raises(TripError, match=r"^weather.csv: is a broken link"):
        read_weather_file(tmp_path, {})


def test_every_problem_of_a_file_at_once(tmp_path):
    (tmp_path / "weather.csv").write_text(HEAD + "x,2027-07-10,1,0,,,\nraton,never,86,50,,,\n", encoding="utf-8")
    with pytest.raises(TripError) as caught:
        read_weather_file(tmp_path, {})
    assert [text.split(":")[0] for text in caught.value.problems] == [
        "weather.csv row 2, column 'place'",
        "weather.csv row 3, column 'date'",
        "weather.csv row 3, column 'place'",
    ]
