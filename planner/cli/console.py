"""Shared parts of the commands: arguments, options, results."""

import re
from pathlib import Path
from typing import Any

import click

DONE, EXCEEDED, BAD_INPUT, FAILED = 0, 1, 2, 3


class NamedPath(click.Path):
    """A path; an empty one, as an unset variable of a shell gives, would mean the current folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what names nothing."""
        if not str(value):
            self.fail("is empty; name a file or folder", param, ctx)
        return super().convert(value, param, ctx)


PATH = NamedPath(path_type=Path)
_EXTRA = re.compile(r"unexpected extra arguments? \((.*)\)")
_TRACKS = (".gpx", ".kml", ".geojson")


def hint_on(usage_error: str) -> str:
    """What was probably meant by arguments too many; empty if unknown."""
    found = _EXTRA.search(usage_error)
    words = [] if found is None else found[1].split()
    if any(word.casefold().endswith(_TRACKS) for word in words):
        return "\nWrite --track before every track: grademargin new july --track day1.gpx --track day2.gpx"
    if any(re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?", word) for word in words):
        return "\nPut a date and its time in quotation marks: --start '2027-08-06 07:00'"
    return ""


TRIP = click.argument("folder", type=PATH, metavar="TRIP")
JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
