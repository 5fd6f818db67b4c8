"""Names of uploaded files."""

import re

from planner.model.errors import PlannerError

_UNSAFE = re.compile(r"[^\w .()-]+")
_LONGEST_NAME = 80


def safe_name(name: str) -> str:
    r"""Safe file name from the name that a browser sends.

    >>> safe_name("../../etc/passwd"), safe_name("C:\\road one.gpx"), safe_name(".hidden")
    ('passwd', 'road one.gpx', 'hidden')
    """
    last = re.split(r"[/\\]", name)[-1]
    plain = _UNSAFE.sub("-", last).strip(" .-")
    if not plain:
        message = "the file needs a name"
        raise PlannerError(message)
    stem, dot, ending = plain.rpartition(".")
    return f"{stem[:_LONGEST_NAME]}.{ending[:8]}" if dot and stem else plain[:_LONGEST_NAME]
