"""Hold and let-down in a session: rows, undo, folders, refusals. Truth: EXACT identities."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from struck_session import struck_session

from simkit.errors import InputError
from simkit.record.write import record_step, resume
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import effort, steps_of
from simkit.study.attempt import line_of

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: flat
  length_x_mm: 200
  length_y_mm: 160
  thickness_mm: 0.8
  grade: DC04
  edges: {left: held, right: held, bottom: held, top: held}
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit: {tabs: [round-25], tips: [ball-12], glue: {name: strong, tension_MPa: 20, shear_MPa: 20}}
goal: {tolerance_mm: 0.05, slope_mrad: 1.0}
"""
HOLD = Operation("hold", "round-25", 0.0, 0.0, force_N=250.0)
TAP = Operation("tap-down", "ball-12", 30.0, 0.0, -0.5)
DOWN = Operation("let-down", "round-25", 0.0, 0.0)


@pytest.fixture(scope="module")
def dented(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return struck_session(tmp_path_factory.mktemp("case"), CASE)


@pytest.fixture(scope="module")
def worked(dented: Session) -> Session:
    held = dented.hold("round-25", 0.0, 0.0, 250.0)
    return held.tap_down("ball-12", 30.0, 0.0, -0.5).let_down()


def test_rows_tell_what_is_held_and_their_books_balance(worked: Session):
    rows = [step.row for step in worked.steps]
    assert [row.operation for row in rows] == ["dent", "hold", "tap-down", "let-down"]
    assert rows[1].held_N == pytest.approx(250.0, rel=0.03)
    assert rows[2].held_N == pytest.approx(rows[1].held_N, rel=1e-9)
    assert (rows[0].held_N, rows[3].held_N) == (0.0, 0.0)
    for row in rows[1:]:
        assert abs(row.energy_error_pct) < 1.0
        given, spent = row.work_Nmm + row.standing_Nmm, (
            row.stored_Nmm + row.plastic_Nmm + row.snap_Nmm)
        largest = max(abs(row.work_Nmm), abs(row.standing_Nmm), row.plastic_Nmm)
        assert abs(given - spent) < 0.01 * largest
    assert abs(rows[2].standing_Nmm) > 0.02 * rows[2].plastic_Nmm
    assert rows[1].minutes + rows[3].minutes == pytest.approx(
        3.0 + 1.0 + 10.0)  # a pull, its tool, the set-up
    assert np.isnan(rows[1].goal_mm)
    assert np.isnan(rows[3].goal_mm)


def test_nothing_is_flat_while_held(dented: Session):
    easy = dented.work.case.goal.model_copy(update={"tolerance_mm": 50.0, "slope_mrad": 1e3})
    case = dented.work.case.model_copy(update={"goal": easy})
    session = replace(dented, work=replace(dented.work, case=case))
    held = session.apply(HOLD)
    assert not held.now.row.flat
    assert held.apply(DOWN).now.row.flat


def test_undo_takes_the_hold_back(dented: Session, worked: Session):
    assert worked.undo(1).state.standing
    assert not worked.undo(3).state.standing
    again = worked.undo(2).apply(TAP)
    assert np.array_equal(again.state.displacement, worked.steps[2].state.displacement)


@pytest.mark.parametrize("way", ["following", "locked"])
def test_a_repair_goes_on_from_its_folder_while_held(dented: Session, tmp_path: Path, way: str):
    session = dented
    record_step(tmp_path, session)
    for operation in (replace(HOLD, way=way), TAP):
        session = session.apply(operation)
        record_step(tmp_path, session)
    back = resume(tmp_path, dented.work, None)
    assert back is not None
    assert [held.name for held in back.state.standing] == ["round-25"]
    assert np.array_equal(back.apply(DOWN).state.displacement,
                          session.apply(DOWN).state.displacement)


def test_holds_of_one_tool_have_names_of_their_own(dented: Session):
    two = dented.apply(HOLD).apply(replace(HOLD, x_mm=40.0, force_N=100.0))
    assert [held.name for held in two.state.standing] == ["round-25", "round-25 (2)"]
    assert two.now.row.held_N == pytest.approx(350.0, rel=0.03)
    one = two.apply(DOWN)
    assert [held.name for held in one.state.standing] == ["round-25 (2)"]
    assert two.let_down().state.standing == ()


@pytest.mark.parametrize(("operation", "words"), [
    (Operation("let-down", "", 0.0, 0.0), "nothing is held"),
    (replace(HOLD, force_N=-3.0), "positive force"),
    (replace(HOLD, way="loose"), "one of following"),
    (replace(HOLD, way="springy"), "positive stiffness"),
    (replace(HOLD, tool="ball-12", way="springy", stiffness_N_per_mm=5.0), "tip from behind"),
    (replace(HOLD, tool="round-99"), "not in the kit"),
    (Operation("holding", "round-25", 0.0, 0.0), "one of pull"),
])
def test_what_cannot_be_held_is_refused(dented: Session, operation: Operation, words: str):
    with pytest.raises(InputError, match=words):
        dented.apply(operation)


def test_a_let_down_after_a_hold_that_failed_has_nothing_to_do(dented: Session):
    """A list of operations goes on: its let-down was written when nobody knew of the glue."""
    failed = dented.apply(replace(HOLD, force_N=400.0, glue="cold-tack"))
    assert failed.now.row.outcome == "glue let go"
    after = failed.let_down()
    assert (after.now.row.outcome, after.now.row.minutes) == ("nothing held", 0.0)
    assert after.now.row.max_low_mm == after.steps[-2].row.max_low_mm
    assert steps_of([step.row for step in after.steps]) == 1
    with pytest.raises(InputError, match="nothing is held"):
        dented.tap_down("ball-12", 30.0, 0.0).let_down()


def test_a_tap_on_the_held_tab_is_refused(worked: Session):
    held = worked.undo(2)
    with pytest.raises(InputError, match="lies under 'round-25'"):
        held.apply(replace(TAP, x_mm=5.0))
    with pytest.raises(InputError, match="is not held"):
        held.apply(replace(DOWN, tool="round-30"))


def test_a_stage_reached_under_a_force_does_not_count(dented: Session):
    held = dented.hold("round-25", 0.0, 0.0, 250.0)
    good = replace(held.now.row, max_low_mm=0.0, max_high_mm=0.0, slope_mrad=0.0)
    goal = dented.work.case.goal
    assert effort(goal, [dented.now.row, good])["bulk"] is None
    assert effort(goal, [dented.now.row, replace(good, held_N=0.0)])["bulk"] is not None


def test_a_lever_from_behind_needs_access_once(dented: Session):
    held = dented.hold("ball-12", 0.0, 0.0, 150.0)
    assert held.now.row.held_N == pytest.approx(150.0, rel=0.03)
    again = held.let_down().hold("ball-12", 5.0, 0.0, 150.0)
    assert held.now.row.minutes - again.now.row.minutes == pytest.approx(15.0 + 10.0)


def test_a_tap_beyond_its_goal_is_not_driven_further_because_something_is_held(dented: Session):
    """The goal of a tap under a hold is for the panel as it stands, so it is met already."""
    held = dented.apply(HOLD)
    here = held.tap_down("ball-12", 15.0, 0.0, 5.0)
    assert here.now.row.outcome == "already past"
    assert here.now.row.max_low_mm == held.now.row.max_low_mm
    dent = dented.tap_down("ball-12", 15.0, 0.0, 5.0)
    assert dent.now.row.outcome == "already past"


def test_a_line_of_a_hold_names_what_stays_and_no_height_that_nobody_asked_for(worked: Session):
    lines = [line_of(step.row) for step in worked.steps[1:]]
    assert not any("nan" in line for line in lines)
    assert "N held" in lines[0]
    assert "N held" not in lines[-1]
