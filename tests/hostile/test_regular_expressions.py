"""Every regular expression of the program against texts made to keep one busy: none takes more than a moment."""

import importlib
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import maps
import planner
import thermal

ROOT = Path(__file__).parents[2]
LENGTH = 1500
BOUNDED = {"_AT_END": 120, "_IN_BRACKETS": 120, "_DATED": 2000}  # given no more than so many characters
PIECES = (*'1 a - . , Â Ã\x82 ° [ ( " \' a. "a". 1. 1, é'.split(" "), " ", "\t", "\n")
ENDS = ("", "!", "]", "\x00", "\n x", "°C")
SLOW_S = 2.0  # of processor time for one expression over all texts; a quadratic one takes many times that


def patterns():
    """Every compiled expression that a module of ours holds, and those written where they are used and how."""
    found = {}
    for package in (maps, planner, thermal):
        for one in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if "_data" not in one.name:
                module = importlib.import_module(one.name)
                for name, item in vars(module).items():
                    if isinstance(item, re.Pattern):
                        text = Path(module.__file__).read_text()
                        anywhere = re.search(rf"\b{name}\.(search|sub|findall)\(", text) is not None
                        found[f"{one.name}.{name}"] = item, item.search if anywhere else item.fullmatch
    for path in (path for name in ("maps", "planner", "thermal") for path in (ROOT / name).rglob("*.py")):
        inline = re.findall(r're\.(sub|match|search|fullmatch)\(\s*r?"((?:[^"\\]|\\.)+)"', path.read_text())
        for use, text in inline:
            item = re.compile(text)
            found[f"{path.stem} {text}"] = item, item.fullmatch if use == "fullmatch" else item.search
    return found


def evil_texts():
    for head in ("", "1", "a", "1 a", "<?xml"):
        for piece in PIECES:
            for end in ENDS:
                yield head + piece * (LENGTH // len(piece)) + end


def slowest():
    """Say which expressions are slow; run in a process of its own, which a hang cannot outlast."""
    import time

    for name, (pattern, use) in patterns().items():
        begin, most = time.process_time(), BOUNDED.get(name.rpartition(".")[2], 2 * LENGTH)
        for text in evil_texts():
            use(text.encode() if isinstance(pattern.pattern, bytes) else text[:most])
            if time.process_time() - begin > SLOW_S:
                print(name, repr(text[:8]), repr(text[-4:]), flush=True)
                break


def test_no_expression_is_slow_on_any_text():
    assert len(patterns()) > 40
    code = (
        f"import sys; sys.path[:0] = [{str(Path(__file__).parent)!r}]; import {Path(__file__).stem} as t; t.slowest()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert (done.stdout, done.returncode) == ("", 0), done.stderr[-500:]
