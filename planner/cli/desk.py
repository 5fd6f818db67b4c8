"""The command `desk`: the trip on a page served from this computer alone."""

from pathlib import Path

import click

from planner.cli.console import DONE, JSON, TRIP, Streams


@click.command()
@TRIP
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to serve at; a free one without it.")
@click.option("--no-browser", is_flag=True, help="Print the address, open nothing.")
@click.option("--stay", is_flag=True, help="Go on serving when no window is open.")
@JSON
@click.pass_obj
def desk(io: Streams, /, folder: Path, port: int, no_browser: bool, stay: bool, as_json: bool) -> int:
    """Plan the trip on a page in the browser, margins moving as it is edited.

    Served to this computer alone, offline; the same files, changed as they are typed, with undo. A folder that is not
    there yet is made from a track or an example. Stops when its window is closed, or on Ctrl-C.

    Example: grademargin desk july
    """
    from planner.desk.serve import serve

    def tell(address: str, first: bool) -> None:
        if as_json:
            io.json({"address": address, "folder": str(folder)})
        elif first:
            io.say(f"The desk is at {address}")
            io.say("It is served to this computer alone. Close its window, or press Ctrl-C, to stop it.")
        else:
            io.say(f"For one more window: {address}")

    serve(folder, port=port, browser=not no_browser, stay=stay, tell=tell)
    return DONE
