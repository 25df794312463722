"""Odd inputs from hypothesis, seeded: every answer has manners (see campaign.py).

The long form, with counts by sort, is benchmarks/hostile.py.
"""

from __future__ import annotations

from random import Random

import pytest
from campaign import ask, manners, once, place
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from newer_sorts import SORTS

EXAMPLES = {"case file": 40, "table": 40, "scan": 30, "flags": 40, "folder": 20,
            "study": 30, "newer": 40, "record": 20}


@pytest.mark.parametrize("name", SORTS)
def test_odd_inputs_get_an_answer_with_manners(name: str) -> None:
    @settings(max_examples=EXAMPLES[name], derandomize=True, deadline=None, database=None,
              suppress_health_check=list(HealthCheck))
    @given(st.integers(0, 2**40))
    def every(seed: int) -> None:
        with place() as folder:
            tried = SORTS[name](Random(seed), folder)
        assert tried.fault == "", (tried.argv, tried.said)

    every()


FOUND = [("scan", 28, 470, "on one line"), ("study", 28, 648, ""),
         ("flags", 28, 1575, "")]
"""What the long form found once: sort, seed and number, and a word of what
it refuses now.
"""


@pytest.mark.parametrize(("name", "seed", "number", "word"), FOUND)
def test_what_was_found_once_gets_an_answer(name: str, seed: int, number: int, word: str) -> None:
    tried = once(SORTS[name], name, seed, number)
    assert tried.fault == ""
    assert word in tried.said


@pytest.mark.parametrize(("code", "out", "said", "fault"), [
    (0, "ok\n", "", ""),
    (2, "", "error: a.csv: no such file\n", ""),
    (2, "", "", "0 lines"),
    (2, "", "Traceback (most recent call last):\n", "a traceback"),
    (2, "", "something\n", "no error"),
    (70, "", "error: a fault inside\n", "exit code 70"),
    (0, "\x1b[31m", "", "control character"),
])
def test_the_judge_sees_bad_manners(code: int, out: str, said: str, fault: str) -> None:
    found = manners(code, out, said, {0, 2})
    assert (found == "") == (fault == "")
    assert fault in found


def test_what_comes_out_of_main_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(argv: list[str]) -> int:
        raise RuntimeError("out it comes")

    monkeypatch.setattr("campaign.main", breaks)
    assert "RuntimeError came out" in ask("flags", ["check"]).fault
