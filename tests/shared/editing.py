"""One slip in a file, as a person would make it."""

from pathlib import Path


def edit(folder: Path, file: str, old: str, new: str) -> None:
    """Put a text in the place of another that must be there."""
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {file}"
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")
