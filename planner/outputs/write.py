"""Plain data as JSON, and files written whole or not at all."""

import json
import math
import os
import tempfile
from pathlib import Path

import numpy as np

from planner.errors import OutputError


def to_json(value: object) -> str:
    r"""Write plain data as JSON that is the same every time and holds no NaN.

    Parameters
    ----------
    value : object
        Dicts, lists, text, numbers. [-]

    Returns
    -------
    str
        Indented text with a line end.

    Examples
    --------
    >>> to_json({"b": 1, "a": float("nan")})
    '{\n  "a": null,\n  "b": 1\n}\n'
    """
    return json.dumps(_plain(value), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: object) -> object:
    """Numbers of numpy become numbers; what is not finite becomes null."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value


def write_files(folder: Path, files: dict[str, str]) -> None:
    """Write generated files, each whole or not at all.

    Parameters
    ----------
    folder : Path
        Made if missing. [-]
    files : dict
        Name to text. [-]

    Raises
    ------
    OutputError
        If the folder or a file cannot be written; files written before stay whole.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            handle, temporary = tempfile.mkstemp(dir=folder, prefix=".", suffix=".part")
            try:
                with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                    file.write(text)
                os.chmod(temporary, 0o644)
                os.replace(temporary, folder / name)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
    except OSError as exc:
        message = f"{folder}: cannot be written ({exc.strerror or exc}); free the disk, allow writing, or use --out DIR"
        raise OutputError(message) from exc
