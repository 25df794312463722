"""The studies that anyone can start: what they will run, without running it."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from simkit.cli.main import main
from simkit.study.matrix import plan_runs
from simkit.study.studyfile import read_study

PLACE = Path(__file__).resolve().parents[2] / "cases" / "studies"
STUDIES = sorted(PLACE.glob("*.yaml"))


@pytest.mark.parametrize("file", STUDIES, ids=lambda file: file.stem)
def test_every_stored_study_can_be_started(file: Path, tmp_path: Path,
                                           capsys: pytest.CaptureFixture[str]) -> None:
    study = read_study(file)
    assert "nvented" in study.about
    assert main(["study", str(file), "--dry-run", "--json", "--out", str(tmp_path / "out")]) == 0
    assert json.loads(capsys.readouterr().out)["runs"] == len(plan_runs(study, PLACE))
    assert not (tmp_path / "out").exists()


def test_all_dents_meet_every_strategy_in_both_grades() -> None:
    plans = plan_runs(read_study(PLACE / "all-dents.yaml"), PLACE)
    assert len(plans) == 19 * 8 * 2
    each = Counter((plan.name, plan.strategy, plan.varied["panel.grade"]) for plan in plans)
    assert set(each.values()) == {1}
    assert len({plan.name for plan in plans}) == 19
    assert {plan.case.panel.grade for plan in plans} == {"DC04", "HC180B-baked"}
