"""Rolling direction of a case: it acts, and what contradicts itself is refused. Truth: EXACT."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simkit.case import load_case
from simkit.errors import InputError
from simkit.repair.workpiece import panel_sheet

CASE = """\
format: 1
title: Rolled
about: Invented for the tests.
panel: {{surface: flat, length_x_mm: 200, length_y_mm: 160, thickness_mm: 1.0, grade: {grade},
  rolling: {rolling}}}
"""


def sheet_of(folder: Path, rolling: str, grade: str = "AA6016-T4-rolled"):
    file = folder / "case.yaml"
    file.write_text(CASE.format(grade=grade, rolling=rolling), encoding="utf-8")
    return panel_sheet(load_case(file))


def test_criterion_and_angle_reach_the_sheet(tmp_path: Path):
    sheet = sheet_of(tmp_path, "{angle_deg: 30}")
    assert (sheet.criterion.name, sheet.rolling_rad) == ("yld2000-2d", np.radians(30.0))
    hill = sheet_of(tmp_path, "{criterion: hill48}").criterion
    assert hill.r_along(np.pi / 4) == pytest.approx(0.248, rel=1e-9)
    own = sheet_of(tmp_path, "{criterion: hill48, r_0: 1.8, r_45: 1.4, r_90: 2.1}", "DC04")
    assert own.criterion.r_along(np.pi / 2) == pytest.approx(2.1, rel=1e-9)
    assert sheet_of(tmp_path, "{criterion: mises}").criterion is None
    assert sheet_of(tmp_path, "{}", "DC04").criterion is None


@pytest.mark.parametrize(("rolling", "grade", "key"), [
    ("{angle_deg: 30}", "DC04", "angle_deg"),
    ("{criterion: mises, angle_deg: 30}", "AA6016-T4-rolled", "angle_deg"),
    ("{criterion: hill48}", "DC04", "criterion"),
    ("{criterion: yld2000-2d}", "DC04", "criterion"),
    ("{r_0: 1, r_45: 1, r_90: 1}", "DC04", "criterion"),
    ("{criterion: hill48, r_0: 1, r_90: 1}", "DC04", "r_45")])
def test_contradictions_are_refused(tmp_path: Path, rolling: str, grade: str, key: str):
    with pytest.raises(InputError) as caught:
        sheet_of(tmp_path, rolling, grade)
    assert caught.value.key == f"panel.rolling.{key}"
