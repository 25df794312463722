"""Every fault of benchmarks/faults.py can still be put in, and what shall notice it is there."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))

import faults
from faults_list import FAULTS


def test_every_fault_fits_the_code() -> None:
    assert faults.complaints() == []


@pytest.mark.parametrize(("key", "value", "words"), [
    ("old", "no such text", "found 0 times"),
    ("new", "def :", "would not be read"),
    ("problems", ("no-such-problem",), "no problem"),
    ("tests", ("tests/hostile/test_inputs.py::test_no_such",), "no test"),
])
def test_a_fault_that_does_not_fit_is_named(key: str, value: object, words: str,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(faults, "FAULTS", (replace(FAULTS[0], **{key: value}),))
    (said,) = faults.complaints()
    assert words in said


def test_what_is_built_on_a_kernel_is_found() -> None:
    """material/j2.py is used by shell/kernels.py, which simkit.shell.work hands on."""
    found = {str(p.relative_to(faults.ROOT)) for p in
             faults.users_of(faults.ROOT, "simkit/material/j2.py")}
    assert {"simkit/material/j2.py", "simkit/shell/kernels.py"} <= found
    assert "simkit/errors.py" not in found
