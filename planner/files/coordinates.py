"""Parsing latitude and longitude: decimal degrees, degrees and minutes, compass letters."""

import re

from thermal.unit_names import plain_signs

_LONGEST = 60
_TOKEN = re.compile(r"\d++(?:\.\d*+)?|\.\d++|deg|min|sec|\S", re.ASCII)
_MARKS = (("°", "deg", "d"), ("'", "min", "m"), ('"', "sec", "s"))
_POINTS = {"lat": "ns", "lon": "ew"}
_WORDS = (("north", "n"), ("south", "s"), ("east", "e"), ("west", "w"))


def degrees_of(text: str, name: str) -> float | str | None:
    r"""Read a latitude or longitude (`name` is "lat" or "lon"); an error text if contradictory, None if unreadable.

    >>> degrees_of("119.787° W", "lon"), degrees_of("39° 15' 0\" N", "lat"), degrees_of("39.25", "lat")
    (-119.787, 39.25, 39.25)
    >>> degrees_of("39.25 N", "lon")
    'N and S mark a latitude; are lat and lon swapped?'
    """
    if len(text) > _LONGEST:
        return None
    plain = plain_signs(text).casefold().replace("''", '"')
    for word, letter in _WORDS:
        plain = plain.replace(word, letter)
    tokens: list[str] = _TOKEN.findall(plain)
    letters = [token for token in (tokens[0], tokens[-1]) if token in "nsew"] if len(tokens) > 1 else []
    # a trailing s marks the seconds if another compass letter precedes
    if len(letters) == 2 and letters[1] == "s" and len(tokens) > 4:
        letters.pop()
    body = tokens[bool(letters and tokens[0] in "nsew") : len(tokens) - bool(letters and tokens[-1] == letters[-1])]
    sign = body.pop(0) if body and body[0] in "+-" else ""
    parts = _parts(body)
    if parts is None:
        return None
    fault = _fault(name, letters, sign, parts)
    if fault:
        return fault
    value = sum(float(part) / 60.0**n for n, part in enumerate(parts))
    return -value if sign == "-" or letters in (["s"], ["w"]) else value


def _parts(tokens: list[str]) -> list[str] | None:
    """Degrees, minutes and seconds, each with or without its mark."""
    parts: list[str] = []
    marked = True
    for token in tokens:
        if token[0].isdigit() or token[0] == ".":
            parts.append(token)
            marked = False
        elif marked or len(parts) > len(_MARKS) or token not in _MARKS[len(parts) - 1]:
            return None
        else:
            marked = True
    return parts if 1 <= len(parts) <= 3 and len(parts[0].partition(".")[0]) <= 3 else None


def _fault(name: str, letters: list[str], sign: str, parts: list[str]) -> str:
    if len(letters) > 1:
        return "write one compass letter, before or after the number"
    if letters and letters[0] not in _POINTS[name]:
        mine, other = ("N and S", "latitude") if name == "lon" else ("E and W", "longitude")
        return f"{mine} mark a {other}; are lat and lon swapped?"
    if letters and sign == "-":
        return f"it has both a minus sign and {letters[0].upper()}; remove one"
    if any("." in part for part in parts[:-1]):
        return "write decimal degrees, or whole degrees, minutes and seconds"
    if any(float(part) >= 60.0 for part in parts[1:]):
        return "minutes and seconds must be below 60"
    return ""
