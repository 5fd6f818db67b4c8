"""Shared parts of the commands: arguments, options, results."""

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
TRIP = click.argument("folder", type=PATH, metavar="TRIP")
JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
