"""Pulls by a beam, tension by a spreader: operations, rows, pictures. Truth: EXACT identities.

A beam hinged on its screw loads two tabs alike; the tension of a spreader acts on nothing but the
two tabs, so it needs no reaction; what is let down gives its force back.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from struck_session import struck_session

from simkit.errors import InputError
from simkit.files import write_json
from simkit.record.read import StepRecord
from simkit.record.write import identity, record_step, resume
from simkit.repair.operations import Operation
from simkit.repair.rigging import places_of
from simkit.repair.session import Session
from simkit.repair.spoken import read_operation, say_operation
from simkit.show.setting import footprint, read_setting

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: curved
  radius_y_mm: 500
  length_x_mm: 200
  length_y_mm: 120
  thickness_mm: 0.8
  grade: DC04
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit:
  tabs: [round-25]
  tips: [ball-12]
  glue: {name: strong, tension_MPa: 20, shear_MPa: 20}
  lifters: [{name: wide, span_mm: 120, pad_mm: 12}]
  beams: [{name: row, tabs: 2, spacing_mm: 40}]
  spreaders: [{name: screw, apart_mm: 90, height_mm: 8}]
goal: {tolerance_mm: 0.05, slope_mrad: 1.0}
"""
PULL = Operation("pull", "round-25", 0.0, 0.0, -1.0, beam="row")
HELD = Operation("hold", "round-25", 0.0, 0.0, force_N=400.0, spreader="screw")


@pytest.fixture(scope="module")
def dented(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return struck_session(tmp_path_factory.mktemp("case"), CASE)


@pytest.fixture(scope="module")
def drawn(dented: Session) -> Session:
    return dented.apply(HELD)


def test_a_beam_pulls_two_tabs_alike_and_reaches_its_goal(dented: Session):
    row = dented.apply(PULL).now.row
    assert row.outcome == "reached"
    assert row.released_mm == pytest.approx(-1.0, abs=0.02)
    assert abs(row.energy_error_pct) < 1.0
    first, second = map(float, row.tab_forces_N.split())
    assert first == pytest.approx(second, rel=0.01)
    assert first + second == pytest.approx(row.force_N, rel=0.01)
    one = dented.pull("round-25", 0.0, 0.0, -1.0).now.row
    assert row.minutes == pytest.approx(one.minutes + dented.work.minutes["further_tab"])
    assert one.tab_forces_N == ""
    by = dented.apply(replace(PULL, lifter="wide")).now.row
    assert by.outcome == "reached"
    assert by.force_N != pytest.approx(row.force_N, rel=0.01)


def test_a_spreader_stands_while_the_middle_is_tapped(drawn: Session, dented: Session):
    """No resultant; a tap under a tab is refused, one between them is not; let down, the force
    is gone."""
    row, state = drawn.now.row, drawn.state
    assert row.outcome == "reached"
    assert abs(row.energy_error_pct) < 1.0
    assert row.force_N == pytest.approx(400.0, rel=0.021)
    assert np.abs(state.standing[0].nodal.sum(axis=0)).max() < 0.01 * row.force_N
    assert row.held_N == pytest.approx(row.force_N, rel=0.01)
    assert not row.flat
    assert row.low_rise_mm > 0.0  # the moment of the screw above the sheet lifts between the tabs
    with pytest.raises(InputError, match="lies under"):
        drawn.tap_down("ball-12", 45.0, 0.0)
    tapped = drawn.tap_down("ball-12", 20.0, 25.0, -0.3)
    assert tapped.now.row.outcome == "reached"
    assert abs(tapped.now.row.energy_error_pct) < 1.0
    free = tapped.let_down()
    assert abs(free.now.row.energy_error_pct) < 1.0
    assert free.now.row.force_N == pytest.approx(400.0, rel=0.021)
    assert free.now.row.held_N == 0.0
    assert not free.state.standing


def test_a_held_spreader_is_recorded_and_read_back(drawn: Session, dented: Session, tmp_path: Path):
    record_step(tmp_path, dented)
    record_step(tmp_path, drawn)
    again = resume(tmp_path, dented.work, None)
    assert again is not None
    assert again.now.row.tab_forces_N == drawn.now.row.tab_forces_N != ""
    assert again.now.row.said == drawn.now.row.said
    assert again.state.standing[0].more == drawn.state.standing[0].more
    redone = dented.apply(read_operation(drawn.now.row.said))
    assert np.array_equal(redone.state.displacement, drawn.state.displacement)


def test_places_lie_on_a_line_about_the_operation(dented: Session):
    turned = replace(HELD, x_mm=3.0, y_mm=4.0, angle_deg=90.0)
    assert np.allclose(places_of(dented.work.case, turned), [(3.0, -41.0), (3.0, 49.0)])
    assert places_of(dented.work.case, replace(PULL, beam="")) == [(0.0, 0.0)]


@pytest.mark.parametrize("text", [
    "pull round-25 at 1,2 to 0 with 500 turn 45 lifter wide beam row",
    "hold round-25 at 1,2 by 300 turn 45 spreader screw glue warm-melt"])
def test_words_there_and_back(text: str):
    assert say_operation(read_operation(text)) == text


@pytest.mark.parametrize("operation", [
    replace(PULL, kind="push", tool="ball-12"), replace(HELD, tool="ball-12"),
    replace(PULL, beam="none"), replace(HELD, spreader="none"),
    replace(PULL, spreader="screw"), replace(HELD, lifter="wide"),
    replace(HELD, way="locked"), replace(HELD, way="springy", stiffness_N_per_mm=50.0),
    replace(PULL, kind="pull", beam="", spreader="screw", energy_mJ=50.0),
    replace(PULL, x_mm=85.0), replace(HELD, y_mm=40.0, angle_deg=90.0)])
def test_rigs_that_cannot_be_are_refused_in_one_line(dented: Session, operation: Operation):
    with pytest.raises(InputError) as error:
        dented.apply(operation)
    assert "\n" not in str(error.value)


def test_pictures_show_every_tab_of_a_rig(drawn: Session, tmp_path: Path):
    write_json(tmp_path / "case.json", identity(drawn.work.case))
    row, outlines = drawn.now.row, read_setting(tmp_path).outlines
    step = StepRecord(1, row.operation, row.tool, row.outcome, 0.0, 0.0, row.force_N, 0.0, 0.0,
                      0.0, row.cells())
    around = footprint(step, outlines)
    assert around is not None
    assert np.allclose(np.abs(around).max(axis=0), [45.0 + 12.5, 12.5])
    assert not (np.abs(around[:, 0]) < 30.0).any()  # nothing between the tabs
    alone = footprint(replace(step, row={}), outlines)
    assert alone is not None
    assert np.allclose(np.abs(alone).max(axis=0), 12.5)
