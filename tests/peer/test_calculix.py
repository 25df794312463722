"""Decks and answers of CalculiX; what needs the program is skipped where it is not installed."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.sheet.grades import load_grade
from simkit.study.peer import ccx, decks, elastic_plate
from simkit.study.peer.pressed import PressedPanel, ShellMesh, SolidMesh, pressed_deck, solve_shell
from simkit.study.peer.results import displacements, forces, read_dat, read_sta

DAT = """
                        S T E P       1


 displacements (vx,vy,vz) for set MIDDLE and time  0.1000000E+01

         7  0.000000E+00  1.000000E-03 -2.500000E+00
         9  1.000000E-04  0.000000E+00 -1.250000E+00

 total force (fx,fy,fz) for set BALL_N and time  0.1000000E+01

        1.500000E+00 -2.500000E-01  1.200000E+02
"""
STA = """
SUMMARY OF JOB INFORMATION
  STEP      INC     ATT  ITRS     TOT TIME     STEP TIME      INC TIME
     1          1     1     4  0.500000E-01  0.500000E-01  0.500000E-01
     1          2     1U    9  0.500000E-01  0.500000E-01  0.500000E-01
     1          2     2     6  0.750000E-01  0.750000E-01  0.250000E-01
"""
needs_program = pytest.mark.skipif(not ccx.installed(), reason=ccx.MISSING)


def test_tables_are_read_back(tmp_path):
    file = tmp_path / "job.dat"
    file.write_text(DAT)
    blocks = read_dat(file)
    assert displacements(blocks, "middle", 1.0)[9] == pytest.approx([1e-4, 0.0, -1.25])
    assert forces(blocks, "ball_n") == pytest.approx(np.array([[1.0, 1.5, -0.25, 120.0]]))
    with pytest.raises(LookupError, match="at time 2"):
        displacements(blocks, "middle", 2.0)


def test_dropped_increments_are_counted_apart(tmp_path):
    file = tmp_path / "job.sta"
    file.write_text(STA)
    counts = read_sta(file)
    assert (counts.increments, counts.dropped, counts.iterations) == (2, 1, 19)
    assert counts.time == pytest.approx(0.075)


def test_the_deck_carries_the_sheet_s_own_table():
    case = PressedPanel()
    text = pressed_deck(case, SolidMesh(40.0, 1))
    after = text.split("*PLASTIC\n", 1)[1].split("*", 1)[0]
    table = np.array([[float(v) for v in row.split(",")] for row in after.strip().splitlines()])
    law = case.sheet.hardening
    assert table[:, 0] == pytest.approx(law.stress(table[:, 1]), rel=1e-9)
    assert text.count("*PLASTIC") == 1  # the ball stays elastic
    assert text.count("*END STEP") == 2


def test_a_law_that_a_deck_cannot_hold_is_refused():
    with pytest.raises(ValueError, match="isotropic"):
        decks.material("SHEET", load_grade("DC04").sheet())


def test_simkit_solves_the_pressed_panel():
    answer = solve_shell(PressedPanel(travel_mm=2.0), ShellMesh(20.0))
    numbers = answer.numbers()
    assert 0.0 < numbers["residual_depth_mm"] < 2.0
    assert answer.curve[-1, 0] == pytest.approx(2.0)
    assert answer.counts["energy_error_pct"] < 2.0


@needs_program
def test_the_elastic_plate_is_exact(tmp_path):
    # 1 %, the verification manual's limit for finite meshes
    found = elastic_plate.solid_mm(20.0, 2, 2, tmp_path)
    assert found == pytest.approx(elastic_plate.exact_mm(), rel=0.01)
    assert elastic_plate.shell_mm(10.0) == pytest.approx(elastic_plate.exact_mm(), rel=0.01)


@needs_program
def test_a_run_that_fails_says_so(tmp_path):
    deck = "*HEADING\nnothing\n*NODE\n1, 0, 0, 0\n*STEP\n*STATIC\n*END STEP\n"
    run = ccx.run_deck(deck, tmp_path)
    assert not run.finished


def test_what_to_install_is_said(monkeypatch):
    monkeypatch.setattr(ccx.shutil, "which", lambda name: None)
    assert not ccx.installed()
    assert "apt-get install calculix-ccx" in ccx.MISSING
