"""Paths: shipped data in a checkout or an installed wheel, results inside the trip folder."""

from pathlib import Path

from planner.model.errors import OutputError


def data_folder() -> Path:
    """Folder of vehicles, examples and base map."""
    here = Path(__file__).resolve().parents[1]
    packed = here / "_data"
    return packed if packed.is_dir() else here.parent / "data"


def results_folder(trip_folder: Path) -> Path:
    """Default results folder."""
    out = trip_folder / "out"
    try:
        inside = out.resolve().is_relative_to(trip_folder.resolve())
    except (OSError, RuntimeError):  # a link that points to itself
        inside = False
    if not inside:
        message = f"{out}: is a link to outside the trip folder; nothing was written. Delete it, or use --out DIR"
        raise OutputError(message)
    return out
