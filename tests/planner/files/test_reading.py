"""Bounds of TOML and of whole files: the last that is read and the first that is not."""

from pathlib import Path

import pytest

from planner.files.limits import TOML_DEPTH
from planner.files.reading import TextError, whole
from planner.files.tomlfile import read_toml


def nested(deep: int) -> str:
    return "a = " + "[" * deep + "]" * deep


@pytest.mark.parametrize(
    ("sound", "beyond", "said"),
    [
        (nested(TOML_DEPTH - 2), nested(TOML_DEPTH), "nested too deep"),
        (nested(1), nested(100_000), "nested too deep"),
        ("a." * (TOML_DEPTH - 2) + "a = 1", "a." * TOML_DEPTH + "a = 1", "nested too deep"),
        ("a = 1", "a." * (TOML_DEPTH + 1) + "a = 1", "a key of more than 50 dots"),
        (f"a = {2**63 - 1}", f"a = {2**63}", "a whole number of more than 18 digits"),
        (f"a = {-(2**63)}", "a = [1, {b = 99999999999999999999}]", "a whole number of more than 18 digits"),
        ("a = 1", "a = " + "9" * 5000, "limit (4300 digits)"),
    ],
)
def test_bounds_of_toml(sound: str, beyond: str, said: str) -> None:
    assert "a" in read_toml(sound)
    with pytest.raises(TextError) as caught:
        read_toml(beyond)
    assert str(caught.value).startswith("cannot be read as TOML (")
    assert said in str(caught.value)


def test_the_largest_file_that_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 1_000_000)
    assert len(whole(path, max_bytes=1_000_000)) == 1_000_000
    with pytest.raises(OSError, match="larger than 1 MB"):
        whole(path, max_bytes=999_999)
