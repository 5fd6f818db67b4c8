"""Reading the last calendar, so that the next one updates its events instead of duplicating them."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from planner.files import limits
from planner.files.reading import file_fault, whole

DOMAIN = "@grademargin.invalid"
_MOST_EVENTS = 4000
_LINE = re.compile(r"([A-Z-]{1,40})(?:;[^:]{0,200})?:(.*)")
_UID = re.compile(r"[a-z0-9-]{1,80}-([0-9a-f]{16})@grademargin\.invalid")
_TIME = re.compile(r"\d{8}T\d{6}Z")

Lines = Mapping[str, str]
"""Properties of one event, as they stand in the file."""


@dataclass(frozen=True, slots=True)
class Before:
    """Events of an earlier calendar by UID, and the trip's hash in the UIDs; empty if there is none."""

    events: Mapping[str, Lines]
    owner: str = ""


NOTHING = Before({})


def last_calendar(*folders: Path) -> Before:
    """Read the last calendar, from the first folder that has one; empty if unreadable."""
    found = (_read(folder, folder / "trip.ics") for folder in folders)
    return next((one for one in found if one.events), NOTHING)


def _read(folder: Path, path: Path) -> Before:
    try:
        if file_fault(path, root=folder, max_bytes=limits.TABLE_BYTES) is not None:
            return NOTHING
        return read_calendar(whole(path, max_bytes=limits.TABLE_BYTES).decode("utf-8"))
    except (OSError, ValueError):
        return NOTHING


def read_calendar(text: str) -> Before:
    """Read our own events from a calendar (RFC 5545, 3.1: folded lines); everything else is ignored."""
    events: dict[str, dict[str, str]] = {}
    owner = ""
    event: dict[str, str] | None = None
    for line in re.sub(r"\r?\n[ \t]", "", text).splitlines():
        if line == "BEGIN:VEVENT":
            event = {}
        elif line == "END:VEVENT" and event is not None:
            known = _UID.fullmatch(event.get("UID", ""))
            if known and time_of(event.get("DTSTART", "")) and len(events) < _MOST_EVENTS:
                events[event["UID"]], owner = event, owner or known[1]
            event = None
        elif event is not None and (found := _LINE.fullmatch(line)):
            event.setdefault(found[1], found[2])
    return Before(events, owner)


def time_of(raw: str) -> datetime | None:
    """Read a calendar time in UTC; None if invalid."""
    if not _TIME.fullmatch(raw):
        return None
    try:
        return datetime.strptime(raw, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return None


def sequence_of(event: Lines) -> int:
    """SEQUENCE of an event; 0 if unreadable."""
    raw = event.get("SEQUENCE", "")
    return int(raw) if raw.isascii() and raw.isdigit() and len(raw) <= 6 else 0
