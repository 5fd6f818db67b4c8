"""The car's file: the owner's read on top of a class, and a fitted car written beside it, the owner's comments kept."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit

from planner.files import limits
from planner.files.reading import Problems, TextError, text_of, whole
from planner.files.settingsheets import CAR, sheet_of
from planner.files.tomlfile import read_toml
from planner.files.wholefile import write_new
from planner.files.workbook import sheet_file
from planner.model.errors import OutputError
from thermal.errors import ParameterError
from thermal.posterior import Posterior, fit_table
from thermal.vehicle_file import VehicleFile, vehicle_from

_LEARNT = "Posterior beside the values above: factor, standard deviation of its logarithm, and how."


def read_vehicle(path: Path, classes: Path) -> VehicleFile:
    """Read a trip's vehicle file on top of the class it names; `ParameterError` carries every problem, one a line."""
    file = path.name if os.path.lexists(path) else sheet_file(CAR)
    return vehicle_from(
        _text_and_tables(path)[1],
        file=file,
        classes=sorted(p.stem for p in classes.glob("*.toml")),
        class_tables=lambda base: _text_and_tables(classes / f"{base}.toml")[1],
    )


def class_vehicle(base: str, classes: Path) -> VehicleFile:
    """Read a class of car as it is, without anything an owner changed."""
    return vehicle_from(
        {"base": base},
        file=f"{base}.toml",
        classes=[base],
        class_tables=lambda name: _text_and_tables(classes / f"{name}.toml")[1],
    )


def about_class(path: Path) -> str:
    """Say in a line which car a class file describes, in an owner's words."""
    return str(_text_and_tables(path)[1]["about"])


def has_car(folder: Path) -> bool:
    """Whether a folder's spreadsheet says what the car is."""
    return sheet_of(folder, CAR, Problems()) is not None


def _text_and_tables(path: Path) -> tuple[str, dict[str, Any]]:
    """A vehicle file as written, and as TOML gives it; of a spreadsheet's car, no text."""
    if not os.path.lexists(path):
        problems = Problems()
        held = sheet_of(path.parent, CAR, problems)
        if len(problems):
            raise ParameterError("\n".join(problems.sentences()))
        if held is not None:
            return "", held
    try:
        text = text_of(whole(path, max_bytes=limits.TOML_BYTES))
        return text, read_toml(text)
    except FileNotFoundError as exc:
        message = f"{path.name}: not found; `grademargin new DIR` makes one"
        raise ParameterError(message) from exc
    except OSError as exc:
        message = f"{path.name}: cannot be opened ({exc.strerror or exc}); a vehicle file is a few kB of text"
        raise ParameterError(message) from exc
    except TextError as exc:
        message = f"{path.name}{f' row {exc.row}' if exc.row else ''}: {exc}"
        raise ParameterError(message) from exc


def write_fitted(
    path: Path, *, owner: Path, classes: Path, changes: Mapping[str, Mapping[str, Any]], posterior: Posterior, head: str
) -> None:
    """Write a new vehicle file beside the owner's, which stays as it is; it is read back before it gets its name."""
    own, tables = _text_and_tables(owner)
    text = vehicle_text(own or tomlkit.dumps(tables), changes, posterior, head=head)
    try:
        write_new(path, text, check=lambda part: read_vehicle(part, classes))
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name another file with --out"
        raise OutputError(message) from exc


def refuse_existing(path: Path) -> None:
    """Refuse to write a vehicle file over another, before hours of learning as after."""
    if path.exists() or path.is_symlink():
        message = f"{path.name}: exists already and is left as it is; name another file with --out"
        raise OutputError(message)


def vehicle_text(own: str, changes: Mapping[str, Mapping[str, Any]], posterior: Posterior, *, head: str) -> str:
    r"""Text of a new vehicle file: the owner's, comments and all, what a fit has changed, the factors it has learnt.

    Examples
    --------
    >>> print(vehicle_text('base = "estate"  # 1994\n', {}, Posterior(factors={}, correlation={}), head="By hand."))
    # By hand.
    base = "estate"  # 1994
    <BLANKLINE>
    """
    wanted = read_toml(own)
    for section, table in changes.items():
        wanted[section] = {**wanted.get(section, {}), **table}
    wanted.pop("fit", None)
    if posterior.factors:
        wanted["fit"] = fit_table(posterior)
    lead = "".join(f"# {line}\n" for line in head.splitlines())
    text = lead + _with_comments(own, changes, wanted.get("fit"))
    try:
        if read_toml(text) == wanted:
            return text
    except TextError:
        pass
    return lead + "# The comments of the owner's file could not be kept.\n" + tomlkit.dumps(wanted)


def _with_comments(own: str, changes: Mapping[str, Mapping[str, Any]], fit: Mapping[str, Any] | None) -> str:
    """The owner's text with values put in; empty where the editor of such texts fails."""
    try:
        document = tomlkit.parse(own if own.endswith("\n") else own + "\n")
        document.pop("fit", None)
        for section, table in changes.items():
            held = document.setdefault(section, tomlkit.table())
            for key, value in table.items():
                held[key] = tomlkit.item(value, held) if not isinstance(value, dict) else _inline(value)
        if fit is not None:
            made = tomlkit.table()
            made.add(tomlkit.comment(_LEARNT))
            for name, value in fit.items():
                made.add(name, _inline(value) if name != "correlation" else tomlkit.item(value))
            document["fit"] = made
        return tomlkit.dumps(document)
    except Exception:  # it raises whatever its lookups give; what it made is read back and compared in any case
        return ""


def _inline(value: Mapping[str, Any]) -> Any:
    table = tomlkit.inline_table()
    table.update(value)
    return table
