"""Logs made to keep the reader busy or to fill the memory."""

import gzip
import re

import pytest

from planner.files import limits
from planner.files.logpropose import describe_log
from planner.files.logtext import clean, cut, read_log_text
from planner.model.errors import PlannerError

HEAD = "time,oil (C)\n0,20\n1,21\n2,22\n"


def test_a_degree_sign_gone_wrong_a_thousand_times_is_cleaned_at_once():
    """The expression that mends it once doubled its time with every letter."""
    assert len(clean("Â" * 5000)) == 120
    assert clean("oil " + "Ã\x82" * 3 + "°C") == "oil °C"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a," * 15_000_000 + "\n", "40,000,000 cells"),
        (HEAD + "1" * 30_000_000 + "x,2\n", "characters in a line"),
        (HEAD + "1\n" * 2_500_000, "2,000,000 lines"),
        (HEAD + "\u2028" * 1_500_000, "characters in a line"),
        (HEAD.replace("oil", '"' * 30_000), "characters in a line"),
    ],
    ids=["columns", "number", "lines", "odd line ends", "quotes"],
)
def test_a_log_beyond_measure_is_refused_with_the_limit(text, said):
    with pytest.raises(PlannerError, match=re.escape(said)):
        cut(text, file="a.csv")


def test_a_packed_log_that_grows_without_end_is_refused(tmp_path):
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(HEAD.encode() + b"1,2\n" * 40_000_000, 1))
    with pytest.raises(PlannerError, match="MB decompressed"):
        read_log_text(tmp_path / "a.csv.gz")


def test_a_log_packed_in_countless_parts_is_refused(tmp_path):
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(HEAD.encode()) + gzip.compress(b"1,2\n") * limits.LOG_PARTS)
    with pytest.raises(PlannerError, match="packed in more than 10,000 parts"):
        read_log_text(tmp_path / "a.csv.gz")


def test_the_longest_line_that_may_be_is_read(tmp_path):
    digits = "1" * (limits.LOG_LINE - 10)
    log = cut(HEAD + f"{digits},{'x'}\n", file="a.csv")
    assert len(log.rows) == 4


def test_headings_that_act_are_only_shown(tmp_path):
    (tmp_path / "a.csv").write_text(
        "time (s),\x1b[2Joil temp (C),<script>alert(1)</script>,=1+1\n" + "".join(f"{i},2,3,4\n" for i in range(30))
    )
    assert "\x1b" not in "".join(describe_log(tmp_path / "a.csv").sentences)
