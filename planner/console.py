"""What the commands share: where they write, how they end, the options many of them have."""

from pathlib import Path
from typing import Any, TextIO

import click

DONE, EXCEEDED, BAD_INPUT, FAILED = 0, 1, 2, 3
PATH = click.Path(path_type=Path)
TRIP = click.argument("folder", type=PATH, metavar="TRIP")
JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")


class Streams:
    """Where results and progress go."""

    def __init__(self, out: TextIO, err: TextIO) -> None:
        self.out, self.err = out, err

    def say(self, text: str = "") -> None:
        """Print a result."""
        self.out.write(f"{text}\n")

    def json(self, value: object) -> None:
        """Print plain data."""
        from planner.outputs.write import to_json

        self.out.write(to_json(value))

    def tell(self, text: str) -> None:
        """Print progress."""
        self.err.write(f"  {text}\n")

    def show(self, *things: Any) -> None:
        """Print rich tables."""
        from rich.console import Console

        console = Console(file=self.out, highlight=False)
        for thing in things:
            console.print(thing)
