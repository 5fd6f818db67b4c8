"""The command `desk`: the trip on a page served from this computer alone."""

from pathlib import Path

import click

from planner.cli.console import DONE, TRIP, Streams


@click.command()
@TRIP
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to serve at; a free one without it.")
@click.option("--no-browser", is_flag=True, help="Print the address, open nothing.")
@click.option("--stay", is_flag=True, help="Go on serving when no window is open.")
@click.pass_obj
def desk(io: Streams, folder: Path, port: int, no_browser: bool, stay: bool) -> int:
    """Plan the trip on a page in the browser, margins moving as it is edited.

    Served to this computer alone, offline; the same files, changed as they are typed, with undo. A folder that is not
    there yet is made from a track or an example. Stops when its window is closed, or on Ctrl-C.

    Example: grademargin desk july
    """
    from planner.desk.serve import serve

    serve(folder, port=port, browser=not no_browser, stay=stay, say=io.say)
    return DONE
