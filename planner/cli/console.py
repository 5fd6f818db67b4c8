"""Shared parts of the commands: arguments, options, results."""

from pathlib import Path

import click

from planner.cli import streams

DONE, EXCEEDED, BAD_INPUT, FAILED = 0, 1, 2, 3
PATH = click.Path(path_type=Path)
TRIP = click.argument("folder", type=PATH, metavar="TRIP")
JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")


class Streams(streams.Streams):
    """Where results and progress go, plain data too."""

    def json(self, value: object) -> None:
        """Write plain data for programs."""
        from planner.output.write import to_json

        self.data(to_json(value))
