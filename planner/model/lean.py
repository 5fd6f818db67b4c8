"""Libraries imported without the packages that they use only if they are there, and that are not needed here."""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class _Hides:
    """A finder of modules that hides one package from one thread."""

    def __init__(self, name: str) -> None:
        self.name, self.thread = name, threading.get_ident()

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Find nothing, and let others find what is not hidden."""
        if name == self.name and threading.get_ident() == self.thread:
            message = f"{name} is not loaded here"
            raise ModuleNotFoundError(message, name=name)


@contextmanager
def without(name: str) -> Iterator[None]:
    """Let what this thread imports meanwhile find no package of that name, unless it is loaded already.

    For libraries that do without it, as they say.
    """
    hides = _Hides(name)
    sys.meta_path.insert(0, hides)
    try:
        yield
    finally:
        sys.meta_path.remove(hides)
