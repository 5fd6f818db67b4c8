"""Making untrusted text safe for terminals, calendars and XML."""

import re

# Control characters, direction marks, surrogates.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def printable(text: str) -> str:
    r"""Replace control characters that act on a terminal, a calendar or an XML reader.

    >>> printable("pass\x1b[2J & \u202ekcab")
    'pass\ufffd[2J & \ufffdkcab'
    """
    return _UNPRINTABLE.sub("\ufffd", text)
