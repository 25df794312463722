"""Stages of a repair, steps and minutes to them, and what the noise of readings leaves visible."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from simkit.case import load_case
from simkit.case.repair import Goal, Stage, Stages
from simkit.checks.noise import noise_unrest
from simkit.errors import InputErrors
from simkit.measurement.read import read_dent
from simkit.repair.stages import effort, excess, meets, stage_of
from simkit.repair.steprow import StepRow
from simkit.repair.workpiece import minutes_of

CASES = Path(__file__).parents[2] / "cases"


def row(step: int, low: float, high: float, slope: float, minutes: float = 1.0) -> StepRow:
    return StepRow(step, "push", minutes=minutes, max_low_mm=low, max_high_mm=high,
                   slope_mrad=slope)


@pytest.mark.parametrize(("low", "high", "slope", "stage"), [
    (-4.0, 0.3, 90.0, ""), (-0.9, 0.9, 90.0, "bulk"), (-0.2, 0.3, 8.1, "bulk"),
    (-0.2, 0.3, 7.9, "roughed"), (-0.1, 0.11, 3.0, "roughed"), (-0.1, 0.1, 3.9, "fine"),
    (-0.1, 0.0, 2.0, "finished")])
def test_stage_needs_height_and_slope(low: float, high: float, slope: float, stage: str) -> None:
    assert stage_of(Goal(), row(0, low, high, slope)) == stage


def test_a_stage_is_never_stricter_than_the_finished_panel() -> None:
    rough = Goal(tolerance_mm=0.5, slope_mrad=10.0)
    assert rough.limits_of("fine") == (0.5, 10.0)
    assert stage_of(rough, row(0, -0.5, 0.0, 9.0)) == "finished"
    named = Goal(stage="roughed", stages=Stages(roughed=Stage(height_mm=0.2, slope_mrad=6.0)))
    assert named.limits == (0.2, 6.0)
    assert meets(named, "roughed", row(0, -0.2, 0.0, 6.0))
    assert excess(named, row(0, -0.4, 0.0, 9.0)) == pytest.approx(2.0)


def test_steps_and_minutes_count_up_to_the_first_time() -> None:
    rows = [row(0, -3.0, 0.2, 50.0, 0.0), row(1, -0.2, 0.2, 7.0, 14.0), row(2, -0.5, 0.1, 9.0, 2.0),
            row(3, -0.1, 0.1, 4.0, 0.5)]
    assert effort(Goal(), rows) == {
        "bulk": (1, 14.0), "roughed": (1, 14.0), "fine": (3, 16.5), "finished": None}


def test_a_case_names_stage_limits_and_times(tmp_path: Path) -> None:
    data = YAML(typ="safe", pure=True).load((CASES / "crease" / "case.yaml").read_text("utf-8"))
    data["goal"] = {"stage": "fine", "stages": {"fine": {"height_mm": 0.15, "slope_mrad": 5}}}
    data["times"] = {"file": "times.yaml", "push_min": 2.5}
    (tmp_path / "times.yaml").write_text("minutes: {pull: 4, push: 9, set_up: 20}\n", "utf-8")
    with open(tmp_path / "case.yaml", "w", encoding="utf-8") as file:
        YAML().dump(data, file)
    case = load_case(tmp_path)
    assert case.goal.limits == (0.15, 5.0)
    table = minutes_of(case)
    assert (table["push"], table["pull"], table["set_up"]) == (2.5, 4.0, 20.0)
    assert ("times", "file") in case.data_files()
    data["goal"]["stage"] = "shiny"
    with open(tmp_path / "case.yaml", "w", encoding="utf-8") as file:
        YAML().dump(data, file)
    with pytest.raises(InputErrors, match=r"goal\.stage"):
        load_case(tmp_path)


def test_noise_of_readings_hides_the_finer_stages() -> None:
    """Interpolation is linear in the readings: twice the noise moves the field twice as far. 96
    readings with 0.02 mm were seen to read 4.4 mrad on a flat panel in a study with other code."""
    dent = load_case(CASES / "first-dent").dent
    assert dent is not None
    field = read_dent(dent, None)
    assert field is not None
    once = noise_unrest(dent, field, 20.0, 0)
    twice = noise_unrest(dent.model_copy(update={"noise_mm": 0.04}), field, 20.0, 0)
    assert once is not None
    assert twice is not None
    assert once.count == 96
    assert once.slope_mrad == pytest.approx(4.4, abs=1.0)
    assert twice.slope_mrad == pytest.approx(2.0 * once.slope_mrad, rel=0.2)
    assert np.isclose(twice.height_mm, 2.0 * once.height_mm, rtol=0.2)
