"""Vehicle files: reading the owner's file over its class, and writing a fitted copy with comments kept."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

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

_LEARNT = "Posterior of the values above: factor, standard deviation of its logarithm, and source."


def read_vehicle(path: Path, classes: Path) -> VehicleFile:
    """Read a trip's vehicle file over its class; `ParameterError` lists every problem, one per line."""
    file = path.name if os.path.lexists(path) else sheet_file(CAR)
    return vehicle_from(
        _text_and_tables(path)[1],
        file=file,
        classes=sorted(p.stem for p in classes.glob("*.toml")),
        class_tables=lambda base: _text_and_tables(classes / f"{base}.toml")[1],
    )


def class_vehicle(base: str, classes: Path) -> VehicleFile:
    """Read a vehicle class without an owner's changes."""
    return vehicle_from(
        {"base": base},
        file=f"{base}.toml",
        classes=[base],
        class_tables=lambda name: _text_and_tables(classes / f"{name}.toml")[1],
    )


def about_class(path: Path) -> str:
    """One-line description of a class file."""
    return str(_text_and_tables(path)[1]["about"])


def has_car(folder: Path) -> bool:
    """Whether a folder's spreadsheet has a sheet 'car'."""
    return sheet_of(folder, CAR, Problems()) is not None


def _text_and_tables(path: Path) -> tuple[str, dict[str, Any]]:
    """A vehicle file as text and as TOML data; the text is empty for a spreadsheet."""
    if not os.path.lexists(path):
        problems = Problems()
        held = sheet_of(path.parent, CAR, problems)
        if len(problems):
            raise ParameterError("\n".join(problems.sentences()))
        if held is not None:
            return "", held
    try:
        text = text_of(whole(path, max_bytes=limits.TOML_BYTES))
        return text, read_toml(text, sourced=True)
    except FileNotFoundError as exc:
        message = f"{path.name}: not found; `grademargin new DIR` creates one"
        raise ParameterError(message) from exc
    except OSError as exc:
        message = f"{path.name}: cannot be opened ({exc.strerror or exc}); a vehicle file is a text file of a few kB"
        raise ParameterError(message) from exc
    except TextError as exc:
        message = f"{path.name}{f' row {exc.row}' if exc.row else ''}: {exc}"
        raise ParameterError(message) from exc


def write_fitted(
    path: Path, *, owner: Path, classes: Path, changes: Mapping[str, Mapping[str, Any]], posterior: Posterior, head: str
) -> None:
    """Write a new vehicle file, read it back as a check, and rename it; the owner's file is not changed."""
    import tomlkit  # slow to import

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
    """Refuse to overwrite a vehicle file; also called before a long fit."""
    if path.exists() or path.is_symlink():
        message = f"{path.name}: already exists and was not overwritten; name another file with --out"
        raise OutputError(message)


def vehicle_text(own: str, changes: Mapping[str, Mapping[str, Any]], posterior: Posterior, *, head: str) -> str:
    r"""Text of a new vehicle file: the owner's text with comments, changed values, fitted factors.

    >>> print(vehicle_text('base = "estate"  # 1994\n', {}, Posterior(factors={}, correlation={}), head="By hand."))
    # By hand.
    base = "estate"  # 1994
    <BLANKLINE>
    """
    import tomlkit  # slow to import

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
    return lead + "# Comments of the original file could not be kept.\n" + tomlkit.dumps(wanted)


def _with_comments(own: str, changes: Mapping[str, Mapping[str, Any]], fit: Mapping[str, Any] | None) -> str:
    """The owner's text with values replaced; empty if the TOML editor fails."""
    import tomlkit

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
    except Exception:  # tomlkit may raise any exception; its result is read back and compared in any case
        return ""


def _inline(value: Mapping[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.inline_table()
    table.update(value)
    return table
