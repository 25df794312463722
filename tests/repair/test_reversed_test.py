"""Hardening of a case from its own test. Truth: readings computed with known parameters, EXACT."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from simkit.case import load_case
from simkit.checks.summary import summary
from simkit.cli.main import main
from simkit.errors import InputError
from simkit.material.hardening import Backstress, Voce
from simkit.material.reversal import stress_along
from simkit.repair.workpiece import make_workpiece, panel_sheet
from simkit.report.facts import panel_facts

CASE = """\
format: 1
title: Own test
about: Invented for the tests.
panel: {{length_x_mm: 200, length_y_mm: 160, thickness_mm: 0.8, grade: DC04,
  reversed_test: {{strip_csv: strip.csv, terms: 1}}{more}}}
kit: {{tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}}
mesh: {{fine_mm: 20, coarse_mm: 40}}
"""
LAW, TERM = Voce(140.0, 290.0, 14.0), Backstress(5000.0, 100.0)


def written(folder: Path, back=True, more=""):
    strain = np.concatenate([np.linspace(0.0, 0.03, 31), np.linspace(0.029, -0.01, 40)])
    strain = strain if back else strain[:31]
    stress = stress_along(strain, 206000.0, LAW, (TERM,))
    (folder / "strip.csv").write_text("strain,stress_MPa\n" + "".join(
        f"{e!r},{s!r}\n" for e, s in zip(strain.tolist(), stress.tolist(), strict=True)))
    file = folder / "case.yaml"
    file.write_text(CASE.format(more=more), encoding="utf-8")
    return file


def test_the_sheet_is_that_of_the_readings(tmp_path: Path):
    case = load_case(written(tmp_path))
    sheet = panel_sheet(case)
    assert sheet.E_MPa == 206000.0
    assert sheet.hardening.packed() == pytest.approx(LAW.packed(), rel=1e-5, abs=1e-6)
    assert sheet.backstress_packed() == pytest.approx(np.array([[5000.0, 100.0]]), rel=1e-5)
    assert "strip.csv: 71 readings give Voce 140.0 to 290.0 MPa" in make_workpiece(case).remarks[0]
    assert case.data_files()["panel", "reversed_test", "strip_csv"].name == "strip.csv"


def test_pre_strain_and_scatter_act_on_it(tmp_path: Path):
    sheet = panel_sheet(load_case(written(tmp_path, more=", flow_stress_pct: 110")))
    assert float(sheet.tension(0.01)) == pytest.approx(
        1.1 * float(LAW.stress(0.01) + TERM.tension(0.01)), rel=1e-3)


def test_a_test_without_a_reversal_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match="without reversed plastic strain") as caught:
        panel_sheet(load_case(written(tmp_path, back=False)))
    assert caught.value.file.endswith("strip.csv")


def test_printed_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    written(tmp_path)
    assert main(["grades", "DC04", "--test", str(tmp_path / "strip.csv"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["backstress"][0]["recovery"] == pytest.approx(100.0, rel=1e-5)
    assert told["saturation_MPa"] == pytest.approx(290.0, rel=1e-5)


def test_what_the_case_sets_is_said(tmp_path: Path):
    more = ", rolling: {angle_deg: 30, criterion: hill48, r_0: 1, r_45: 1, r_90: 1}, " \
           "modulus_fall: {end_pct: 80, at_1pct_pct: 90}"
    case = load_case(written(tmp_path, more=more))
    assert dict(summary(case))["sheet"] == (
        "0.8 mm, DC04, hardening from strip.csv, modulus falls to 80 %, rolled at 30 degrees, "
        "yields by hill48")
    assert dict(panel_facts({"panel": case.panel.model_dump()}))["sheet"] == (
        dict(summary(case))["sheet"])
    sheet = panel_sheet(case)
    assert sheet.modulus_fall is not None
    assert float(sheet.modulus_fall.at(0.01)) == pytest.approx(0.9, rel=1e-12)


def test_a_modulus_that_does_not_fall_between_is_refused(tmp_path: Path):
    with pytest.raises(InputError) as caught:
        panel_sheet(load_case(written(
            tmp_path, more=", modulus_fall: {end_pct: 90, at_1pct_pct: 80}")))
    assert caught.value.key == "panel.modulus_fall.at_1pct_pct"
