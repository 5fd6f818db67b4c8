"""Text of a new vehicle file: what the owner wrote, what a fit has changed in it, and the factors it has learnt."""

import json
from collections.abc import Mapping
from typing import Any

from thermal.discrepancy_text import discrepancy_lines
from thermal.learnt import Learnt


def vehicle_text(own: Mapping[str, Any], changes: Mapping[str, Mapping[str, Any]], learnt: Learnt, *, head: str) -> str:
    """Write a vehicle file's text.

    Parameters
    ----------
    own : mapping
        The owner's file as TOML gives it, see `vehicle_file.own_tables`. [-]
    changes : mapping
        Section to key to {"value", "source"} laid over it. [-]
    learnt : Learnt
        Factors for the section [fit], instead of any there. [-]
    head : str
        What to say in the first lines. [-]

    Returns
    -------
    str
        TOML.

    Examples
    --------
    >>> print(vehicle_text({"base": "estate"}, {}, Learnt(factors={}, correlation={}), head="By hand."))
    # By hand.
    base = "estate"
    <BLANKLINE>
    """
    lines = [f"# {line}" for line in head.splitlines()]
    lines += [f"{key} = {_value(value)}" for key, value in own.items() if not isinstance(value, dict)]
    names = [key for key, value in own.items() if isinstance(value, dict) and key != "fit"]
    for section in [*names, *(name for name in changes if name not in names)]:
        table = {**own.get(section, {}), **changes.get(section, {})}
        lines += ["", f"[{section}]", *(f"{_key(key)} = {_value(value)}" for key, value in table.items())]
    if learnt.factors:
        lines += ["", "# Learnt beside the values above: factor, standard deviation of its logarithm, and how."]
        lines += ["[fit]"]
        for name in learnt.names:
            f = learnt.factors[name]
            lines.append(f"{name} = {{value = {f.value:g}, sd = {f.sd:g}, source = {_value(f.source)}}}")
    if learnt.correlation:
        rows: dict[str, list[str]] = {}
        for (a, b), value in sorted(learnt.correlation.items()):
            rows.setdefault(a, []).append(f"{b} = {value:g}")
        lines += ["", "[fit.correlation]", *(f"{a} = {{{', '.join(row)}}}" for a, row in rows.items())]
    told = discrepancy_lines(learnt.discrepancy)
    return "\n".join([*lines, *([""] if told else []), *told]) + "\n"


def _key(key: str) -> str:
    """A key, quoted where TOML needs it."""
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: Any) -> str:
    """A value as TOML writes it; TOML's quoted strings are JSON's."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(str(key))} = {_value(held)}" for key, held in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, (bool, int, float, str)):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
