"""Decks and answers of CalculiX; what needs the program is skipped where it is not installed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from simkit.material.grades import load_grade
from simkit.verification.peer import ccx, decks, elastic_plate
from simkit.verification.peer.pressed import (
    PressedPanel,
    ShellMesh,
    SolidMesh,
    pressed_deck,
    solve_shell,
    solve_solid,
)
from simkit.verification.peer.results import displacements, forces, read_dat, read_sta

REFERENCE = (Path(__file__).parents[2] / "benchmarks" / "results"
             / "against_calculix_reference.json")
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


def test_simkit_meets_the_stored_answer_of_calculix():
    """Limits of the verification manual for independent elastoplastic references: 2 % in residual
    depth, 5 % in crown height; 3 % in force as for the other reference cases."""
    stored = json.loads(REFERENCE.read_text())["ccx"]["numbers"]
    found = solve_shell(PressedPanel(), ShellMesh(5.0, largest_mm=0.25)).numbers()
    for key, limit in (("residual_depth_mm", 0.02), ("crown_mm", 0.05), ("peak_force_N", 0.03)):
        assert found[key] == pytest.approx(stored[key], rel=limit), key


@needs_program
def test_the_elastic_plate_is_exact(tmp_path):
    # 1 %, the verification manual's limit for finite meshes
    found = elastic_plate.solid_mm(20.0, 2, 2, tmp_path)
    assert found == pytest.approx(elastic_plate.exact_mm(), rel=0.01)
    assert elastic_plate.shell_mm(10.0) == pytest.approx(elastic_plate.exact_mm(), rel=0.01)


@needs_program
def test_a_small_panel_pressed_by_both(tmp_path):
    """Coarse and quick: 10 mm solids, whose depth still grows by 8 % with refinement (7 mm, three
    layers). The real comparison is benchmarks/against_calculix.py."""
    case = PressedPanel(half_mm=60.0, window_mm=40.0, travel_mm=1.5)
    coarse = SolidMesh(10.0, 2, 2, decks.Increments(0.1, 1e-6, 0.25),
                       decks.Increments(0.1, 1e-6, 0.5))
    peer = solve_solid(case, coarse, tmp_path).numbers()
    own = solve_shell(case, ShellMesh(5.0, largest_mm=0.15)).numbers()
    assert own["residual_depth_mm"] == pytest.approx(peer["residual_depth_mm"], rel=0.1)
    assert own["peak_force_N"] == pytest.approx(peer["peak_force_N"], rel=0.05)


@needs_program
def test_a_run_that_fails_says_so(tmp_path):
    text, _ = elastic_plate.plate_deck(80.0, 1, 2)
    run = ccx.run_deck(text.replace("TOP, P2", "NOWHERE, P2"), tmp_path)
    assert not run.finished
    assert "ERROR" in run.said


def test_what_to_install_is_said(monkeypatch):
    monkeypatch.setattr(ccx.shutil, "which", lambda name: None)
    assert not ccx.installed()
    assert "apt-get install calculix-ccx" in ccx.MISSING
