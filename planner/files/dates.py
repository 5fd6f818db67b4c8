"""Parsing dates and times of day; ambiguous ones are refused."""

import re
from calendar import monthrange
from datetime import date, datetime, time

_CLOCK = re.compile(r"(\d{1,2})(?::(\d\d)(?::(\d\d))?)?\s*([ap]\.?m\.?)?", re.ASCII | re.IGNORECASE)
_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})", re.ASCII)
_MONTH_FIRST = re.compile(r"([a-zä]{3,9})\.? (\d{1,2})(?:st|nd|rd|th)?,? (\d{4})", re.ASCII)
_DAY_FIRST = re.compile(r"(\d{1,2})(?:st|nd|rd|th|\.)? ([a-zä]{3,9})\.?,? (\d{4})", re.ASCII)
_MONTHS = tuple("January February March April May June July August September October November December".split())
_GERMAN = {"mär": 3, "märz": 3, "mai": 5, "juni": 6, "juli": 7, "okt": 10, "oktober": 10, "dez": 12, "dezember": 12}
_LONGEST = 60


def clock_of(text: str) -> time | None:
    """Read a time of day.

    >>> clock_of("08:30"), clock_of("7:00"), clock_of("7 pm"), clock_of("25:00"), clock_of("7")
    (datetime.time(8, 30), datetime.time(7, 0), datetime.time(19, 0), None, None)
    """
    match = _CLOCK.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    if match is None or not (match[2] or match[4]):
        return None
    hour = int(match[1])
    if match[4]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (match[4].casefold()[0] == "p")
    try:
        return time(hour, int(match[2] or 0), int(match[3] or 0))
    except ValueError:
        return None


def date_of(text: str) -> date | None:
    """Read a date; None if unreadable, or if day and month are ambiguous.

    >>> date_of("2027-8-6"), date_of("8/26/2027"), date_of("6 Aug 2027"), date_of("8/6/2027"), date_of("2027-W01")
    (datetime.date(2027, 8, 6), datetime.date(2027, 8, 26), datetime.date(2027, 8, 6), None, None)
    """
    found = set(_dates(text))
    return found.pop() if len(found) == 1 else None


def either_date(text: str) -> str:
    """Ask which of two possible dates is meant, or name the last day of a shorter month; else empty.

    >>> either_date("8/6/2027")
    'it may be 6 August or 8 June; write 2027-08-06 or 2027-06-08'
    >>> either_date("2027-02-30")
    'February 2027 has 28 days; write 2027-02-28 or another day'
    """
    found = sorted(set(_dates(text)), reverse=True)
    if len(found) != 2:
        short = [(y, m) for y, m, d in _orders(text) if y and 1 <= m <= 12 and 28 < d < 32 and not found]
        for year, month in short[:1]:
            days = monthrange(year, month)[1]
            return f"{_MONTHS[month - 1]} {year} has {days} days; write {date(year, month, days)} or another day"
        return ""
    one, other = (f"{day.day} {_MONTHS[day.month - 1]}" for day in found)
    return f"it may be {one} or {other}; write {found[0]} or {found[1]}"


def _dates(text: str) -> list[date]:
    return [day for order in _orders(text) if (day := _date(*order)) is not None]


def _orders(text: str) -> list[tuple[int, int, int]]:
    """Year, month and day in every order that a text may have, right or wrong."""
    said = " ".join(text[: _LONGEST + 1].casefold().split())
    if len(said) > _LONGEST:
        return []
    if match := _YEAR_FIRST.fullmatch(said):
        orders = [(match[1], match[2], match[3])]
    elif match := _YEAR_LAST.fullmatch(said):
        orders = [(match[4], match[3], match[1])]
        if match[2] != ".":  # with points, the day comes first by convention
            orders.append((match[4], match[1], match[3]))
    elif match := _MONTH_FIRST.fullmatch(said):
        orders = [(match[3], month_of(match[1]), match[2])]
    elif match := _DAY_FIRST.fullmatch(said):
        orders = [(match[3], month_of(match[2]), match[1])]
    else:
        return []
    return [(int(year), int(month), int(day)) for year, month, day in orders]


def month_of(word: str) -> int:
    """Number of a month by its English or German name in lower case, or the first three letters; else 0."""
    found = [n for n, name in enumerate(_MONTHS, start=1) if name.casefold().startswith(word)]
    return found[0] if len(found) == 1 else _GERMAN.get(word, 0)


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


_ZONED = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(?::\d\d)?(?:\.\d{1,6})?\s?(?:Z|[-+]\d\d:?\d\d)", re.ASCII)


def moment_of(text: str) -> date | None:
    """Read a date with or without a time; None if unreadable or ambiguous.

    >>> moment_of("2027-07-06"), moment_of("7/26/2027 7:00 am"), moment_of("7/6/2027 7:00")
    (datetime.date(2027, 7, 6), datetime.datetime(2027, 7, 26, 7, 0), None)
    """
    said = " ".join(text[: _LONGEST + 1].split())
    if len(said) > _LONGEST:
        return None
    if _ZONED.fullmatch(said):
        try:
            return datetime.fromisoformat(said)
        except ValueError:
            return None
    day, clock = _parted(said)
    on = date_of(day)
    if on is None or clock is None:
        return on if clock is None and day == said else None
    return datetime.combine(on, clock)


def local_moment(text: str) -> datetime | None:
    """Read a local date and time; None if invalid or outside 1900 to 2100.

    >>> local_moment("2027-07-11 10:00"), local_moment("11 July")
    (datetime.datetime(2027, 7, 11, 10, 0), None)
    """
    moment = moment_of(text)
    if isinstance(moment, datetime) and moment.tzinfo is None and 1900 <= moment.year <= 2100:
        return moment
    return None


def either_moment(text: str) -> str:
    """Like `either_date`, for a date with a time.

    >>> either_moment("8/6/2027 7:00")
    'it may be 6 August or 8 June; write 2027-08-06 or 2027-06-08'
    """
    return either_date(_parted(" ".join(text[: _LONGEST + 1].split()))[0])


def _parted(said: str) -> tuple[str, time | None]:
    """Split a text into date and time of day; the whole text is the date if no time follows."""
    for number, char in enumerate(said):
        if char in " T,":
            clock = clock_of(said[number + 1 :])
            if clock is not None:
                return said[:number].rstrip(" ,"), clock
    return said, None
