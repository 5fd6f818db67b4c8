"""Spreadsheets taken apart and put together again."""

import io
import zipfile
from collections.abc import Callable, Mapping


def packed(parts: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Pack parts into an archive, always the same way."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, part in parts.items():
            archive.writestr(zipfile.ZipInfo(name), part, method)
    return out.getvalue()


def repacked(data: bytes, change: Mapping[str, Callable[[bytes], bytes]], **more: bytes) -> bytes:
    """Return an archive with some members rewritten and some added."""
    with zipfile.ZipFile(io.BytesIO(data)) as old:
        parts = {name: change.get(name, bytes)(old.read(name)) for name in old.namelist()}
    return packed(parts | more)
