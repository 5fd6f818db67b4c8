"""Reading weather.csv: the weather a person expects at a place on a date, from wherever they have it."""

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from planner.files import limits
from planner.files.reading import Problems, open_text
from planner.files.tables import Column, Row, read_table
from planner.model.errors import TripError
from thermal.tomltext import shown

FILE = "weather.csv"
_EXAMPLE_DATE = "2027-07-06"
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedWeather:
    """Weather entered for one place on one date; None where a cell is empty.

    Attributes
    ----------
    place : str
        Key from places.csv. [-]
    date : date
        Local date. [-]
    high_k, low_k : float or None
        Highest and lowest air temperature of the day. [K]
    humidity : float or None
        Relative humidity, the day's mean, 0 to 1. [-]
    wind_m_per_s : float or None
        Wind as forecasts give it, 10 m above ground. [m/s]
    wind_from_deg : float or None
        Where it blows from, clockwise from north. [deg]
    """

    place: str
    date: date
    high_k: float | None
    low_k: float | None
    humidity: float | None
    wind_m_per_s: float | None
    wind_from_deg: float | None


def _number(name: str, unit: str, usual: tuple[str, ...], example: str, low: float, high: float) -> Column:
    return Column(name=name, required=False, number=True, unit=unit, usual=usual, example=example, low=low, high=high)


COLUMNS = (
    Column(name="place", example="deadman-pass"),
    Column(name="date", example=_EXAMPLE_DATE),
    _number("high", "K", ("degF", "degC"), "88", 213.15, 333.15),
    _number("low", "K", ("degF", "degC"), "61", 213.15, 318.15),
    _number("humidity", "dimensionless", ("%",), "40", 0.0, 1.0),
    _number("wind", "m/s", ("mph", "km/h"), "12", 0.0, 60.0),
    _number("wind_from", "deg", ("deg",), "270", 0.0, 360.0),
)


def read_weather_file(folder: Path, places: Iterable[str]) -> tuple[DatedWeather, ...]:
    """Read weather.csv of a trip folder.

    Parameters
    ----------
    folder : Path
        The trip folder. [-]
    places : iterable of str
        Keys of places.csv. [-]

    Returns
    -------
    tuple of DatedWeather
        Rows in order; empty when there is no such file.

    Raises
    ------
    TripError
        Carries every problem, one sentence each.
    """
    if not os.path.lexists(folder / FILE):
        return ()
    problems = Problems()
    missing = "is a link that leads nowhere; put the file there, or delete the link"
    text = open_text(folder, FILE, problems=problems, missing=missing)
    rows = () if text is None else parse_weather(text, places=places, problems=problems)
    if len(problems):
        raise TripError(problems.sentences())
    return rows


def parse_weather(text: str, *, places: Iterable[str], problems: Problems) -> tuple[DatedWeather, ...]:
    r"""Read the text of weather.csv.

    Parameters
    ----------
    text : str
        The file's text. [-]
    places : iterable of str
        Keys of places.csv. [-]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    tuple of DatedWeather
        Sound rows in order.

    Examples
    --------
    >>> said = "place,date,high [degC],low [degC],humidity [%]\nraton,2027-07-10,31,13,35\n"
    >>> row, = parse_weather(said, places=["raton"], problems=Problems())
    >>> row.high_k, row.humidity, row.wind_m_per_s
    (304.15, 0.35, None)
    """
    table = read_table(text, file=FILE, columns=COLUMNS, max_rows=limits.WEATHER_ROWS, problems=problems)
    if table is None:
        return ()
    for name, other in (("high", "low"), ("low", "high"), ("wind", "wind_from"), ("wind_from", "wind")):
        if name in table.named and other not in table.named:
            problems.add(FILE, f"the column '{name}' stands without '{other}'; add it")
    known = dict.fromkeys(places)
    taken: dict[tuple[str, date], int] = {}
    return tuple(_rows(table.rows, known, taken))


def _rows(rows: Iterable[Row], known: Mapping[str, None], taken: dict[tuple[str, date], int]) -> Iterator[DatedWeather]:
    for row in rows:
        place, day = row.text("place"), _date(row)
        if place and place not in known:
            row.fault(
                "place", f"read {shown(place)}, which is not in places.csv; {row.table.problems.nearest(place, known)}"
            )
        high_k, low_k = row.value("high"), row.value("low")
        wind, wind_from = row.value("wind"), row.value("wind_from")
        _check_pairs(row)
        if high_k is not None and low_k is not None and low_k > high_k:
            row.fault(
                "low", f"the low {shown(row.cell('low'))} is above the high {shown(row.cell('high'))}; swap them?"
            )
        humidity = row.value("humidity")
        if not place or day is None:
            continue
        if not any(row.cell(column.name) for column in COLUMNS[2:]):
            row.fault("place", "the row says nothing; fill in high and low, humidity or wind, or delete it")
        if (place, day) in taken:
            row.fault("date", f"'{place}' on {day} stands in row {taken[place, day]} too; keep one")
        taken.setdefault((place, day), row.number)
        yield DatedWeather(
            place=place,
            date=day,
            high_k=high_k,
            low_k=low_k,
            humidity=humidity,
            wind_m_per_s=wind,
            wind_from_deg=wind_from,
        )


def _check_pairs(row: Row) -> None:
    for name, other in (("high", "low"), ("wind", "wind_from")):
        if not {name, other} <= row.table.headings.keys():
            continue
        given = [column for column in (name, other) if row.cell(column)]
        if len(given) == 1 and not (given == ["wind"] and row.value("wind") == 0.0):
            row.fault(given[0], f"stands without '{other if given == [name] else name}'; give both or neither")


def _date(row: Row) -> date | None:
    text = row.text("date")
    if not text:
        return None
    try:
        day = date.fromisoformat(text) if _DATE.fullmatch(text) else None
    except ValueError:
        day = None
    if day is None or not 1900 <= day.year <= 2100:
        row.fault("date", f"read {shown(text)}; write year-month-day, e.g. {_EXAMPLE_DATE}")
        return None
    return day
