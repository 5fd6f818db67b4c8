"""Files in other codes, names in every script, and folders with awkward names."""

import os
import shutil
import unicodedata
from pathlib import Path

import pytest
import warm

from maps.direction import FIRST_STRONG, POP, isolated
from planner.model.levels import WORDS

START, FINISH = "Needles, California", "Kingman, Arizona"
NAMES = {
    "arabic": "مدينة العقبة (شمال)",
    "hebrew": "תל אביב, רחוב 7 צפון",
    "cyrillic": "Владивосток",
    "chinese": "東京都新宿区",
    "combining": "e\u0301a\u0308" * 5,
    "stacked": "a" + "\u0301" * 100,
    "emoji": "🏔️👨‍👩‍👧 Pass",
    "300 letters": "x" * 300,
    "300 wide letters": "京" * 300,
    "turned": "\u202eabc",
    "markup": "100% #1 [bold]x[/bold]",
}


def rename(folder: Path, name: str) -> None:
    places = (folder / "places.csv").read_text(encoding="utf-8")
    (folder / "places.csv").write_text(places.replace(START, name).replace(FINISH, f"{name} B"), encoding="utf-8")


def test_every_file_with_other_line_ends(trip: Path) -> None:
    before = warm.run("forecast", trip, "--csv").out
    for name in ("places.csv", "legs.csv", "trip.toml", "vehicle.toml"):
        text = (trip / name).read_text(encoding="utf-8")
        (trip / name).write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert warm.run("forecast", trip, "--csv").out == before


@pytest.mark.parametrize(
    ("file", "code"), [("places.csv", "cp1252"), ("trip.toml", "utf-16-le"), ("vehicle.toml", "utf-32")]
)
def test_another_code_is_told_in_words(trip: Path, file: str, code: str) -> None:
    text = (trip / file).read_text(encoding="utf-8").replace("Needles,", "Nîmes,") + "# é\n"
    (trip / file).write_bytes(text.encode(code))
    ran = warm.run("check", trip)
    assert ran.code == 2
    said = [line for line in ran.err.splitlines() if line.startswith(f"grademargin: {file}")]
    assert said, ran.err
    assert "UTF-8" in said[0]
    assert "codec" not in ran.err


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_names_in_every_script(trip: Path, name: str) -> None:
    rename(trip, name)
    for argv in (("plan",), ("forecast",), ("alarms",)):
        ran = warm.run(argv[0], trip)
        assert ran.code == 0, ran.err
        assert "\u202e" not in ran.out
        assert ran.out.count(FIRST_STRONG) == ran.out.count(POP)
    table = warm.run("forecast", trip).out.splitlines()
    assert any(word in "".join(table) for word in WORDS)
    page = (trip / "out" / "trip.html").read_text(encoding="utf-8")
    assert isolated(name).replace("\u202e", "")[:60].split("[")[0] in page or "\u202e" in name
    assert '"schema"' in (trip / "out" / "plan.json").read_text(encoding="utf-8")


def test_columns_stand_under_their_headings(trip: Path) -> None:
    """Wide letters count two columns, marks none; counted here by the width that Unicode gives each character."""
    for name in ("東京都新宿区", "e\u0301" * 6, "Владивосток", "עכו"):
        folder = Path(shutil.copytree(trip, trip.with_name(name)))
        rename(folder, name)
        table = [line for line in warm.run("forecast", folder).out.splitlines() if "ample" in line or "level" in line]
        assert (
            len({_width(line[: line.rindex(word)]) for line, word in zip(table, ("level", "ample"), strict=True)}) == 1
        )


def _width(text: str) -> int:
    shown = [c for c in text if unicodedata.category(c) not in ("Mn", "Cf")]
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in shown)


@pytest.mark.parametrize(
    ("text", "apart"),
    [
        ("Kingman (12 mi) é 東京", []),
        ("עכו 12 mi", ["עכו"]),
        ("מ עכו to חיפה: 12 °F", ["מ עכו", "חיפה"]),
        ("مدينة (شمال) 12", ["مدينة (شمال)"]),
        ("at (عمان) now", ["عمان"]),
        ("عمان  القدس\nعمان", ["عمان", "القدس", "عمان"]),
        ("\u2067עכו\u2069\u202e x", ["עכו"]),
    ],
)
def test_what_is_set_apart(text: str, apart: list[str]) -> None:
    """UAX 9, revision 48, section 2.7: an isolate round each embedded name keeps the rest in its order."""
    made = isolated(text)
    assert [part.split(POP)[0] for part in made.split(FIRST_STRONG)[1:]] == apart
    assert isolated(made) == made


def test_one_name_written_in_two_ways(trip: Path) -> None:
    rename(trip, "Zu\u0308rich")
    for name in ("Zu\u0308rich", "Z\u00fcrich"):
        ran = warm.run("plan", trip, "--from", name, "--at", "2027-07-10 14:30")
        assert ran.code == 0, ran.err


@pytest.mark.parametrize(
    "name",
    ["a b", "q'\"q", "new\nline", "p%20#x", "-dash", "[bold]x", "e\u0301", os.fsdecode(b"bad\xff\xfe"), "x" * 250],
)
def test_folders_with_awkward_names(trip: Path, tmp_path: Path, name: str) -> None:
    shutil.copytree(trip, tmp_path / name)
    before = warm.state(trip)
    before.pop("out/check.html", None)

    def stand() -> None:
        os.chdir(tmp_path)

    for argv in (("plan", "--", name), ("check", "--", name), ("weather", "--offline", "--", name)):
        ran = warm.run(*argv, prepare=stand)
        assert "Traceback" not in ran.err
        assert ran.code in (0, 3), ran.err
    after = warm.state(tmp_path / name)
    assert after.pop("out/check.html")
    assert after == before
    assert warm.run("new", "--", name, prepare=stand).code == 2
    shutil.rmtree(tmp_path / name)
    assert warm.run("new", "--", name, prepare=stand).code == 0


def test_paths_too_long(trip: Path, tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*["d" * 60] * 8)
    assert warm.run("new", deep).code == 0
    assert warm.run("plan", deep).code == 0
    for argv in (("new", "y" * 300), ("plan", "y" * 300), ("plan", trip, "--out", "y" * 300)):
        ran = warm.run(*argv)
        assert ran.code in (2, 3)
        assert "File name too long" in ran.err
        assert "Traceback" not in ran.err
