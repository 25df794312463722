"""Every problem with a known answer, small enough to run each time.

Sources and status of the numbers stand in the problems (simkit/verification/problems) and in the
README beside their data. Problems too slow for every run are solved coarsely here.
"""

from __future__ import annotations

import pytest

from simkit.verification.problems.catalogue import QUICK
from simkit.verification.problems.second_opinion import LibraryMissing


@pytest.mark.parametrize("name", QUICK)
def test_problem(name):
    try:
        checks = QUICK[name]()
    except LibraryMissing as missing:
        pytest.skip(str(missing))
    assert checks
    wrong = [check.line() for check in checks if not check.ok and not check.known]
    assert not wrong, "\n" + "\n".join(wrong)
