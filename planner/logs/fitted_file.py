"""The fitted car as a new vehicle file beside the owner's."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from planner.files.wholefile import write_new
from planner.model.errors import OutputError
from thermal.learnt import Learnt
from thermal.vehicle_file import own_tables, read_vehicle
from thermal.vehicle_write import vehicle_text


def refuse_existing(path: Path) -> None:
    """Refuse to write a vehicle file over another, before hours of learning as after."""
    if path.exists() or path.is_symlink():
        message = f"{path.name}: exists already and is left as it is; name another file with --out"
        raise OutputError(message)


def write_fitted(
    path: Path, *, owner: Path, classes: Path, changes: Mapping[str, Mapping[str, Any]], learnt: Learnt, head: str
) -> None:
    """Write a new vehicle file beside the owner's, which stays as it is; it is read back before it gets its name."""
    text = vehicle_text(own_tables(owner), changes, learnt, head=head)
    try:
        write_new(path, text, check=lambda part: read_vehicle(part, classes))
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name another file with --out"
        raise OutputError(message) from exc
