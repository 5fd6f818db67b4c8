"""Reading TOML from a stranger: what would keep the parser busy for hours, or break it, is refused in a sentence."""

import re
import tomllib
from typing import Any

MOST_KEY_PARTS = 16
# A run of key parts joined by dots; the parser's time grows with the square of its length.
_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)""" + f"{{{MOST_KEY_PARTS}}}",
)


def load_toml(text: str) -> dict[str, Any]:
    """Read a TOML text.

    Parameters
    ----------
    text : str
        The text; the caller bounds its length. [-]

    Returns
    -------
    dict
        Its tables.

    Raises
    ------
    ValueError
        If it is no TOML, nests too deep, or has a key or number beyond all measure; the reason, and where.

    Examples
    --------
    >>> load_toml("a.b = 1")
    {'a': {'b': 1}}
    >>> load_toml("x" + ".x" * 99 + " = 1")
    Traceback (most recent call last):
    ValueError: 16 dots or more in one key; the most is 15 (at line 1, column 1)
    """
    long = _DOTTED.search(text)
    if long is not None:
        at = text.count("\n", 0, long.start()) + 1
        most = MOST_KEY_PARTS - 1
        message = f"{MOST_KEY_PARTS} dots or more in one key; the most is {most} (at line {at}, column 1)"
        raise ValueError(message)
    try:
        return tomllib.loads(text)
    except RecursionError as exc:
        message = "nested too deep"
        raise ValueError(message) from exc
