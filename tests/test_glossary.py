"""One word for one thing: the headings of every table are in the glossary or are everyday words."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from planner.files.profiles import PROFILE_COLUMNS
from planner.files.readings import READING_COLUMNS
from planner.files.rows import LEG_COLUMNS, PLACE_COLUMNS, WEATHER_COLUMNS
from planner.files.sessionfile import LAP_COLUMNS
from planner.weather.normals import COLUMNS as NORMALS_COLUMNS
from thermal.fluids import FLUIDS

ROOT = Path(__file__).parents[1]
BESIDE = ("laps/show.py", "analysis/alarm_words.py")
SOURCES = (*sorted((ROOT / "planner" / "output").glob("*.py")), *(ROOT / "planner" / name for name in BESIDE))
FILES = (PLACE_COLUMNS, LEG_COLUMNS, WEATHER_COLUMNS, READING_COLUMNS, LAP_COLUMNS, PROFILE_COLUMNS, NORMALS_COLUMNS)
ROW = re.compile(r"^\| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", re.MULTILINE)
EVERYDAY = frozenset(
    # time and place
    "at from to near here when where date hours min minutes depart arrive then between over way road distance along "
    "speed lat lon station state there "
    # the car, the air, the sky
    "air oil fuel pressure rpm driving driven engine off idling idle hot take left gained lost high low humidity wind "
    "elevation heights heater conditioning gear highest flow slowed laps lap "
    # what a table says of itself
    "what value source note notes name kind services service yours usual change level common practice item due next "
    "suffices smallest open two carried flags not warm below up as because looks like taken may reach expect cost "
    "assumed basis reason csv a and by of on the fluid plan turn out possible alternative".split()
)
"""Words that need no entry: a reader knows them from the road."""


def glossary() -> dict[str, tuple[str, frozenset[str]]]:
    """Each word with its meaning and the synonyms that are not used."""
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in row] for row in ROW.findall(text)][1:]
    return {word: (meaning, frozenset(without.split(", "))) for word, meaning, without in rows}


def texts(node: ast.AST) -> Iterator[str]:
    """Constant text below a node, formats such as `.0f` and everything that is filled in left out."""
    if isinstance(node, ast.FormattedValue):
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    for child in ast.iter_child_nodes(node):
        yield from texts(child)


def named(target: ast.AST) -> bool:
    return isinstance(target, ast.Name) and target.id.lower() in {"headings", "heading", "head"}


def headings_in(source: str) -> Iterator[str]:
    """Headings that a module lays out: of tables, of columns, of the cells of a row that goes into a file."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.keyword) and node.arg in {"headings", "heading"}:
            yield from texts(node.value)
        elif isinstance(node, ast.Assign) and isinstance(node.value, ast.Tuple) and any(map(named, node.targets)):
            yield from texts(node.value)
        elif isinstance(node, ast.For) and named(node.target):
            yield from texts(node.iter)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "add_column":
            yield from (text for arg in node.args for text in texts(arg))
        elif isinstance(node, ast.FunctionDef) and node.name == "_leg_cells":
            for inner in ast.walk(node):
                keys = inner.keys if isinstance(inner, ast.Dict) else []
                yield from (text for key in keys if key is not None for text in texts(key))
                if isinstance(inner, ast.Subscript) and isinstance(inner.ctx, ast.Store):
                    yield from texts(inner.slice)


def headings_on_the_page() -> Iterator[str]:
    """Headings of the tables that the page lays out itself."""
    for path in sorted((ROOT / "maps" / "templates").glob("*.js")):
        for row in re.findall(r"head\.append\(\.\.\.\[(.*?)\]\.map\(", path.read_text(encoding="utf-8")):
            yield from re.findall(r'"([^"]+)"', row)


@cache
def all_headings() -> list[str]:
    found = [text for path in SOURCES for text in headings_in(path.read_text(encoding="utf-8"))]
    return [*found, *headings_on_the_page(), *(column.name for columns in FILES for column in columns)]


def words_of(heading: str) -> list[str]:
    return re.findall(r"[a-z]+", re.sub(r"\[.*?\]|_\d+", "", heading.lower().replace("_", " ")))


def strange(headings: list[str], known: frozenset[str]) -> dict[str, str]:
    """Words that are neither in the glossary nor everyday, each with a heading that has it."""
    return {
        word: heading
        for heading in headings
        for word in words_of(heading)
        if not known & {word, word.removesuffix("s")}
    }


def known_words() -> frozenset[str]:
    terms = [word for term in glossary() for word in words_of(term)]
    fluids = [word for fluid in FLUIDS for text in (fluid.key, fluid.label, fluid.short) for word in words_of(text)]
    return EVERYDAY | frozenset(terms) | frozenset(fluids)


def test_every_word_of_a_heading_is_in_the_glossary_or_everyday() -> None:
    assert strange(all_headings(), known_words()) == {}


def test_no_heading_uses_a_synonym() -> None:
    lines = [f" {' '.join(words_of(heading))} " for heading in all_headings()]
    avoided = {synonym for _, without in glossary().values() for synonym in without}
    assert [(word, line) for line in lines for word in avoided if f" {word} " in line] == []


def test_the_glossary_keeps_to_its_own_words() -> None:
    """A meaning is one sentence, about thirty words stand in all, and no synonym is a word of its own."""
    found = glossary()
    assert 28 <= len(found) <= 36
    assert all(meaning.endswith(".") and ". " not in meaning for meaning, _ in found.values())
    assert not set(found) & {synonym for _, without in found.values() for synonym in without}


def test_headings_are_found_and_a_strange_one_is_noticed() -> None:
    found = {heading.strip() for heading in all_headings()}
    assert {"margin", "not warm below", "smallest margin", "Up to", "min idling", "elevation", "chance over"} <= found
    source = 'Table(headings=("headroom", f"left {unit:.0f}")); headings = ("day", *names)\ntable.add_column("zeal")'
    read = list(headings_in(source))
    assert sorted(read) == ["day", "headroom", "left ", "zeal"]
    assert strange(read, known_words()) == {"headroom": "headroom", "zeal": "zeal"}
