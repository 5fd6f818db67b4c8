"""Text from a stranger's files, made harmless for a terminal, a calendar or an XML reader."""

import re

# What a terminal would obey (escape sequences, returns), what turns the direction of writing, halves of characters.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def printable(text: str) -> str:
    r"""Replace what acts on a terminal, a calendar or an XML reader instead of being shown.

    Examples
    --------
    >>> printable("pass\x1b[2J & \u202ekcab")
    'pass\ufffd[2J & \ufffdkcab'
    """
    return _UNPRINTABLE.sub("\ufffd", text)
