"""The command `desk`: the trip on a page served to this computer only."""

from pathlib import Path

import click

from planner.cli.console import DONE, JSON, TRIP
from planner.cli.streams import Streams


@click.command()
@TRIP
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to serve at; default: a free one.")
@click.option("--no-browser", is_flag=True, help="Print the address only; do not open a browser.")
@click.option("--stay", is_flag=True, help="Keep serving when no window is open.")
@JSON
@click.pass_obj
def desk(io: Streams, /, folder: Path, port: int, no_browser: bool, stay: bool, as_json: bool) -> int:
    """Plan the trip on a page in the browser; margins are updated as you edit.

    Served to this computer only, offline. Edits are saved to the trip's files as you type, with undo. A missing folder
    is made from a track or an example. The desk stops when its window is closed, or on Ctrl-C.

    Example: grademargin desk july
    """
    from planner.desk.serve import serve

    def tell(address: str, first: bool) -> None:
        if as_json:
            io.json({"address": address, "folder": str(folder)})
        elif first:
            io.say(f"The desk is at {address}")
            io.say("Only this computer can open it. To stop it, close its window or press Ctrl-C.")
        else:
            io.say(f"To open another window: {address}")

    serve(folder, port=port, browser=not no_browser, stay=stay, tell=tell)
    return DONE
