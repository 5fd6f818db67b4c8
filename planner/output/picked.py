"""Rows of tables and of plain data, from the attributes of a result."""

from typing import Any


def picked(item: object, names: str, digits: int | None = None) -> dict[str, Any]:
    """Attributes of an item by column name: 'column' or 'column=attribute', separated by spaces; numbers rounded.

    >>> picked(complex(1.25, 2.0), "real height=imag", 1)
    {'real': 1.2, 'height': 2.0}
    """
    pairs = (name.partition("=") for name in names.split())
    held = {column: getattr(item, attribute or column) for column, _, attribute in pairs}
    return held if digits is None else {column: round(value, digits) for column, value in held.items()}


def columns_of(names: str) -> list[str]:
    """Column names of `picked`."""
    return [name.partition("=")[0] for name in names.split()]
