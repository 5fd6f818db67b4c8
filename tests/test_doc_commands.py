"""Every command line in the pages runs, and what the pages show is what comes out.

A page is worked through from top to bottom in a folder of its own. In a fenced block marked `sh` every line is a
command: those of `grademargin` run in this process; the contributor's tools and installing are only looked up, since CI
runs them; `docs/make_*.py` and the bench take minutes and are only looked for. A block that follows a file's name in
bold is written as that file. A block marked `text` after commands is what they print: a line `...` stands for lines
left out, " ..." at a line's end for its rest. Words must agree, numbers within one of their last digit, as processors
round differently. Messages in a page that begin with `grademargin: ` come out of the slips in `doc_slips.toml`.
"""

import hashlib
import io
import os
import re
import shlex
import shutil
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import desking
import made_up
import pytest
from shown import close, same_word

from planner.cli.main import BAD_INPUT, DONE, EXCEEDED, FAILED, cli, main

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
HOWTO = sorted((ROOT / "docs" / "howto").glob("*.md"))
SLIPS = tomllib.loads((ROOT / "tests" / "doc_slips.toml").read_text(encoding="utf-8"))["slip"]
BLOCK = re.compile(
    r"(?:\*\*`(?P<file>[\w./-]+)`\*\*\n+)?^```(?P<kind>\w*)\n(?P<body>.*?)^```$", re.DOTALL | re.MULTILINE
)
TOOLS = (
    "python3 -m venv",
    "source .venv/bin/activate",
    ".venv/bin/pip install",
    ".venv/bin/python -m pytest",
    ".venv/bin/ruff",
    ".venv/bin/mypy",
)
WIDTH = "100"


def named(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


class Step(NamedTuple):
    """One fenced block of a page."""

    file: str
    kind: str
    body: str


@dataclass
class Ran:
    """What a command left behind."""

    code: int
    said: str
    folder: Path


def steps(page: Path) -> list[Step]:
    text = page.read_text(encoding="utf-8")
    return [Step(m["file"] or "", m["kind"], m["body"]) for m in BLOCK.finditer(text)]


def command_lines(page: Path) -> list[str]:
    """Commands of a page, also those in blocks of no kind or marked otherwise, and those joined by &&."""
    lines = [line for step in steps(page) if not step.file for line in step.body.splitlines()]
    parts = [part.strip() for line in lines for part in line.split("&&")]
    return [part for part in parts if re.match(r"(\.venv/bin/|\.ci/|python3? |source |grademargin )", part)]


def digest(folder: Path) -> str:
    found = hashlib.sha256()
    for path in [folder] if folder.is_file() else sorted(p for p in folder.rglob("*") if p.is_file()):
        found.update(path.relative_to(folder.parent).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()


class Reader:
    """Runs commands as a reader would; the same command on the same files is worked out once for all pages."""

    def __init__(self, store: Path) -> None:
        self.store = store
        self.known: dict[tuple[str, ...], Ran] = {}

    def run(self, words: list[str], folder: Path) -> Ran:
        tops = {word.split("/")[0] for word in words} & {path.name for path in folder.iterdir()}
        key = (*words, *(digest(folder / top) for top in sorted(tops)))
        if key in self.known:
            shutil.copytree(self.known[key].folder, folder, dirs_exist_ok=True)
            return self.known[key]
        before, out = set(folder.iterdir()), io.StringIO()
        with ThreadPoolExecutor(1) as apart:  # the desk needs a thread without an event loop; a browser test leaves one
            code = apart.submit(main, words, out, out).result() if words[0] == "desk" else main(words, out, out)
        leave_logs(folder)
        kept = self.store / str(len(self.known))
        kept.mkdir()
        for path in {folder / top for top in tops} | (set(folder.iterdir()) - before):
            (shutil.copytree if path.is_dir() else shutil.copy2)(path, kept / path.name)
        self.known[key] = Ran(code, out.getvalue(), kept)
        return self.known[key]


def leave_soon(folder: Path) -> None:
    """A page about the next days: its trip leaves the day after tomorrow."""
    path = folder / "july" / "trip.toml"
    day = datetime.now(UTC) + timedelta(days=2)
    path.write_text(re.sub(r"2027-07-\d\d", f"{day:%Y-%m-%d}", path.read_text(encoding="utf-8")), encoding="utf-8")


def undated(text: str) -> str:
    """Dates and ages made the same."""
    return re.sub(r"\d+ (?:s|min|h) ago", "AGE", re.sub(r"\d{4}-\d\d-\d\d", "DATE", text))


def leave_logs(folder: Path) -> None:
    """A logger's file in the trip `july`, of its first day."""
    trip_folder = folder / "july"
    if not (trip_folder / "legs.csv").is_file() or (trip_folder / "logs").exists():
        return
    (trip_folder / "logs").mkdir()
    made_up.write_first_leg(trip_folder, trip_folder / "logs" / "day1.csv", {"axle_heat": 0.8})


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    return Reader(tmp_path_factory.mktemp("known"))


@pytest.fixture
def here(tmp_path, monkeypatch, services, user_folders):
    """An empty folder; the weather's services are a server on this machine, the user's own folders elsewhere."""
    from planner.weather import command, elevations

    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.setenv("COLUMNS", WIDTH)
    monkeypatch.setattr("webbrowser.open", desking.press_stop)
    local = {"services": services.both(), "archive_url": services.url, "sleep": lambda _: None}
    for name, value in local.items():
        monkeypatch.setitem(command.run.__kwdefaults__, name, value)
    own = {
        "first": elevations.OpenMeteoElevations(url=services.url),
        "second": elevations.UsgsElevations(url=services.url),
    }
    for name, value in own.items():
        monkeypatch.setitem(elevations.check_elevations.__kwdefaults__, name, value)
    return work


def shown_in(block: str, said: str) -> str:
    """First piece of a shown output that does not come out, or nothing."""
    real, at = said.split(), 0
    pieces = [piece.split() for piece in re.split(r"(?:^| )\.\.\.$", block, flags=re.MULTILINE)]
    for piece in (piece for piece in pieces if piece):
        starts = range(at, len(real) - len(piece) + 1)
        fits = (i for i in starts if all(map(same_word, piece, real[i : i + len(piece)])))
        found = next(fits, None)
        if found is None:
            return " ".join(piece)
        at = found + len(piece)
    return ""


def work_through(page: Path, reader: Reader, here: Path) -> tuple[int, str]:
    """Type a page's files, run its commands, compare its outputs; gives how many ran and everything said."""
    count, last, everything = 0, "", ""
    for step in steps(page):
        if step.file:
            (here / step.file).parent.mkdir(parents=True, exist_ok=True)
            (here / step.file).write_text(step.body, encoding="utf-8")
        elif step.kind == "text" and last:
            lost = shown_in(step.body, last) if page.stem != "weather" else shown_in(undated(step.body), undated(last))
            assert not lost, f"{page.name} shows {lost!r}; now it is:\n{last}"
            last = ""
        elif step.kind == "sh":
            last = ""
            for line in step.body.splitlines():
                for part in line.split("&&"):
                    words = shlex.split(part, comments=True)
                    if not words or not re.fullmatch(r"(\.venv/bin/)?grademargin", words[0]):
                        continue
                    ran = reader.run(words[1:], here)
                    if page.stem == "weather" and words[1] == "new":
                        leave_soon(here)
                    assert ran.code in (DONE, EXCEEDED), ran.said
                    count, last = count + 1, last + ran.said
            everything += last
    return count, everything


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_command_of_a_page_is_in_a_block_that_runs(page):
    """No command hides in a block that is not run; every other program is one of those known."""
    in_sh = [line for step in steps(page) if step.kind == "sh" for line in step.body.splitlines()]
    running = {part.strip() for line in in_sh for part in line.split("&&")}
    for command in command_lines(page):
        assert command in running, f"mark the block of {command!r} as sh"
        if re.match(r"(\.venv/bin/)?grademargin ", command):
            words = shlex.split(command, comments=True)
            assert words[1] in cli.commands
        elif command.startswith(".ci/"):
            assert os.access(ROOT / command.split()[0], os.X_OK)
        elif match := re.match(r"(?:\.venv/bin/)?python3? ((?:docs|tests)/\S+\.py)", command):
            compile((ROOT / match[1]).read_text(encoding="utf-8"), match[1], "exec")
        else:
            assert command.startswith(TOOLS), command


@pytest.mark.parametrize(
    "page", [page for page in PAGES if "\ngrademargin " in page.read_text(encoding="utf-8")], ids=named
)
def test_a_page_works_as_written(page, reader, here):
    wanted = sum(bool(re.match(r"(\.venv/bin/)?grademargin ", line)) for line in command_lines(page))
    count, _ = work_through(page, reader, here)
    assert count == wanted


def messages(page: Path) -> list[str]:
    """Messages a page names in code font."""
    return re.findall(r"`(grademargin: [^`]+)`", page.read_text(encoding="utf-8"))


@pytest.mark.parametrize("page", HOWTO, ids=lambda page: page.stem)
def test_messages_named_in_a_page_come_out(page, reader, here):
    named, said = messages(page), []
    for slip in (slip for slip in SLIPS if slip["page"] == page.stem):
        shutil.rmtree(here)
        here.mkdir()
        os.chdir(here)
        for line in slip.get("first", []):
            assert reader.run(shlex.split(line), here).code == DONE
        if "file" in slip:
            path = here / slip["file"]
            text = path.read_text(encoding="utf-8") if "find" in slip else ""
            assert slip.get("find", "") in text, slip
            path.write_text(
                text.replace(slip["find"], slip["replace"], 1) if text else slip["replace"], encoding="utf-8"
            )
        ran = reader.run(shlex.split(slip["run"]), here)
        assert ran.code in (BAD_INPUT, FAILED), ran.said
        said.append(ran.said)
        assert any(not shown_in(message, ran.said) for message in named), f"{slip} is not in the page: {ran.said}"
    for message in named:
        assert any(not shown_in(message, text) for text in said), message


@pytest.mark.parametrize("page", HOWTO, ids=lambda page: page.stem)
def test_a_how_to_is_short(page):
    assert len(page.read_text(encoding="utf-8").splitlines()) <= 61


def test_every_command_of_the_program_has_a_how_to():
    told = {shlex.split(c)[1] for page in HOWTO for c in command_lines(page) if c.startswith("grademargin ")}
    assert told == set(cli.commands)


def test_every_option_of_the_program_is_told():
    text = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)
    for name, command in cli.commands.items():
        for option in (o for p in command.params for o in p.opts if o.startswith("--")):
            assert option in text, f"{name} {option}"


def typed(page: Path) -> int:
    """Characters that a reader types: the files, and the commands without their notes."""
    lines = [
        line.split(" #")[0].rstrip() for step in steps(page) if step.kind == "sh" for line in step.body.splitlines()
    ]
    return sum(len(step.body) for step in steps(page) if step.file) + sum(len(line) + 1 for line in lines)


def test_the_tutorial_is_typed_within_five_minutes():
    """200 characters a minute; the count that the page gives is its own."""
    page = ROOT / "docs" / "tutorial.md"
    said = int(re.search(r"about (\d[\d,]*)\s+characters", page.read_text(encoding="utf-8"))[1].replace(",", ""))
    assert typed(page) <= 1000
    assert abs(typed(page) - said) <= 25


@pytest.mark.parametrize("page", [ROOT / "README.md", ROOT / "docs" / "tutorial.md"], ids=named)
def test_the_environment_is_activated_before_the_program_is_called_by_its_name(page):
    lines = [line for step in steps(page) if step.kind == "sh" for line in step.body.splitlines()]
    first = next(i for i, line in enumerate(lines) if line.startswith("grademargin "))
    assert any(line.startswith("source .venv/bin/activate") for line in lines[:first])
    assert ".venv\\Scripts\\activate" in page.read_text(encoding="utf-8")


def test_a_stale_output_is_noticed():
    real = "Smallest margin: 24 °F differential\nWritten to out"
    assert shown_in("margin: 23 °F\n...\nWritten to", real) == ""
    assert shown_in("margin: 22 °F", real) == "margin: 22 °F"
    assert shown_in("Written to\n...\nmargin: 24", real) == "margin: 24"
    assert not close("1.5", "1.7")
    assert shown_in("2 °F coolant", real)
