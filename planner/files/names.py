"""Finding places by key, name or the first words of a name, and points along a leg: 'trinidad>raton: 12.5 mi'."""

import re
import unicodedata
from collections.abc import Iterable, Mapping

from planner.files import limits
from planner.files.reading import nearest
from planner.model.errors import PlannerError
from planner.model.trip import Place, Trip
from thermal.errors import UnitError, shown
from thermal.units import to_si

Along = tuple[str, str, float]

_NOT_KEY = re.compile(r"[^a-z0-9]+")
_PASSING = re.compile(r"(.*\S)\s*(:\s*\d{1,4})", re.ASCII)


def key_from(name: str) -> str:
    """Make a key from a name; empty if no letter is usable.

    >>> key_from("Deadman Pass"), key_from("Zürich, Hbf"), key_from("東京")
    ('deadman-pass', 'zurich-hbf', '')
    """
    bare = unicodedata.normalize("NFKD", name[: 4 * limits.KEY].casefold())
    return _NOT_KEY.sub("-", "".join(c for c in bare if not unicodedata.combining(c))).strip("-")[: limits.KEY]


def new_key(name: str, taken: dict[str, int]) -> str:
    """Make a key that no other place has, and note it in `taken`.

    >>> taken: dict[str, int] = {}
    >>> new_key("Troy", taken), new_key("Troy", taken)
    ('troy', 'troy-2')
    """
    stem = key = key_from(name)[: limits.KEY - 5].rstrip("-") or "place"
    while key in taken:
        taken[stem] += 1
        key = f"{stem}-{taken[stem]}"
    taken[key] = 1
    return key


class PlaceNames:
    """Maps a text to a place key."""

    def __init__(self, names: Mapping[str, str]) -> None:
        """Index names by key."""
        self._keys = frozenset(names)
        self._whole: dict[str, set[str]] = {}
        self._first: dict[str, set[str]] = {}
        for key, name in names.items():
            for text in (name, key):
                self._whole.setdefault(_folded(text), set()).add(key)
            self._first.setdefault(_folded(name.partition(",")[0]), set()).add(key)

    @classmethod
    def of(cls, places: Iterable[Place]) -> "PlaceNames":
        """Index the names of places."""
        return cls({place.key: place.name for place in places})

    def meant(self, text: str) -> frozenset[str]:
        """Keys matching a text.

        >>> names = PlaceNames({"needles": "Needles, California", "troy-ny": "Troy", "troy-mi": "Troy"})
        >>> sorted(names.meant("Needles")), sorted(names.meant("troy")), sorted(names.meant("Ely"))
        (['needles'], ['troy-mi', 'troy-ny'], [])
        """
        if text in self._keys:
            return frozenset((text,))
        folded = _folded(text)
        found = self._whole.get(folded) or self._first.get(folded)
        if not found and (key := key_from(text)) in self._keys:
            return frozenset((key,))
        return frozenset(found or ())

    def key(self, text: str) -> str:
        """Return the unique matching key, else the text itself.

        A suffix ':2', the second passing of a place, is kept.

        >>> PlaceNames({"needles": "Needles, California"}).key("Needles:2")
        'needles:2'
        """
        found = self.meant(text)
        if len(found) == 1:
            return next(iter(found))
        passing = _PASSING.fullmatch(text) if not found and len(text) <= limits.TEXT else None
        if passing is not None and len(inner := self.meant(passing[1])) == 1:
            return next(iter(inner)) + passing[2].replace(" ", "")
        return text

    def several(self, text: str) -> str:
        """Report the matching places if there is more than one; else an empty text."""
        found = sorted(self.meant(text))
        more = ", ..." if len(found) > 6 else ""
        return f"several places have this name; write the key: {', '.join(found[:6])}{more}" if len(found) > 1 else ""


def find_place(trip: Trip, text: str) -> Place:
    """Find a place by its key or name."""
    names = PlaceNames.of(trip.places.values())
    key = names.key(text)
    if key not in trip.places:
        said = [*trip.places, *(place.name for place in trip.places.values())]
        message = f"place {shown(text)} is not a place of the trip; {names.several(text) or nearest(text, said)}"
        raise PlannerError(message)
    return trip.places[key]


def read_along(text: str) -> Along:
    """Read 'FROM>TO:12.5 mi'.

    >>> read_along("a>b: 2 km")
    ('a', 'b', 2000.0)
    """
    ends, colon, distance = text.rpartition(":")
    start, arrow, finish = ends.partition(">")
    if not (colon and arrow and start.strip() and finish.strip()):
        message = f"read {shown(text)}; write FROM>TO:DISTANCE with two place keys, e.g. 'trinidad>raton:12.5 mi'"
        raise PlannerError(message)
    try:
        return start.strip(), finish.strip(), to_si(distance, "m", example="12.5 mi")
    except UnitError as exc:
        raise PlannerError(str(exc)) from exc


def _folded(text: str) -> str:
    """A name without case, accents and repeated white space."""
    bare = unicodedata.normalize("NFKD", text[: limits.TEXT].casefold())
    return " ".join("".join(c for c in bare if not unicodedata.combining(c)).split())
