"""What a module offers to others, for the checks of docstrings, pages and tests."""

import importlib
import inspect
from collections.abc import Callable, Iterator
from typing import Any


def public_functions(module_name: str, *, compiled: bool = False) -> Iterator[tuple[str, Callable[..., Any]]]:
    """Functions and methods of a module whose names, and whose class's, have no leading underscore."""
    module = importlib.import_module(module_name)
    for name, item in vars(module).items():
        if name.startswith("_") or getattr(item, "__module__", None) != module_name:
            continue
        if inspect.isfunction(item) or (compiled and hasattr(item, "py_func")):
            yield f"{module_name}.{name}", item
        elif inspect.isclass(item):
            for inner, held in vars(item).items():
                function = held.__func__ if isinstance(held, (classmethod, staticmethod)) else held
                if inspect.isfunction(function) and not inner.startswith("_") and function.__module__ == module_name:
                    yield f"{module_name}.{name}.{inner}", function
