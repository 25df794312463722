"""The door from Python: names, examples that run, a case made in Python that loads again."""

from __future__ import annotations

import doctest
import subprocess
import sys
from pathlib import Path

import pytest

import simkit
from simkit import api

SMALL = {
    "title": "Small bowl", "about": "Invented for this test.",
    "panel": {"surface": "flat", "length_x_mm": 200, "length_y_mm": 150, "thickness_mm": 0.75,
              "grade": "DC04"},
    "mesh": {"fine_mm": 10, "coarse_mm": 25},
}


def test_names_are_those_of_the_api() -> None:
    assert set(api.__all__) == simkit.NAMES
    assert all(getattr(simkit, name) is getattr(api, name) for name in simkit.NAMES)


def test_import_loads_no_mechanics() -> None:
    code = "import simkit, sys; print('numpy' in sys.modules, 'simkit.api' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_an_unknown_name_is_answered_with_the_known_ones() -> None:
    with pytest.raises(AttributeError, match="load_case"):
        simkit.open_case  # noqa: B018


def test_the_examples_run() -> None:
    result = doctest.testmod(api)
    assert result.attempted >= 7
    assert result.failed == 0


def test_a_case_made_in_python_is_the_case_that_its_file_gives(tmp_path: Path) -> None:
    case = simkit.make_case(SMALL)
    file = simkit.save_case(case, tmp_path / "case.yaml")
    assert simkit.load_case(file).model_dump() == case.model_dump()
    with pytest.raises(simkit.InputError, match="cannot be written"):
        simkit.save_case(case, file)


def test_faults_of_a_case_made_in_python_name_the_key() -> None:
    wrong = {**SMALL, "panel": {**SMALL["panel"], "thicknes_mm": 0.7}}
    with pytest.raises(simkit.InputErrors, match=r"panel\.thicknes_mm"):
        simkit.make_case(wrong)
