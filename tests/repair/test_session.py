"""Sessions and their rows. Truth: EXACT, definitions: what is frozen stays, a row read back is the
row, minutes are those of the table."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.case import make_case
from simkit.mechanics.outcome import Outcome
from simkit.record.write import record_step, resume
from simkit.repair.session import Session, open_session, unmatched
from simkit.repair.steprow import COLUMNS, StepRow
from simkit.repair.workpiece import make_workpiece

CASE = {"format": 1, "title": "Small panel", "about": "Invented for the tests.",
        "panel": {"length_x_mm": 120, "length_y_mm": 100, "thickness_mm": 0.8, "grade": "DC04"},
        "mesh": {"fine_mm": 20, "coarse_mm": 40, "layers": 3},
        "kit": {"tabs": ["round-25"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}
MINUTES = {"pull": 3.0, "push": 5.0, "tap_down": 7.0, "hold": 11.0, "let_down": 13.0,
           "further_touch": 0.5, "tool_change": 17.0, "set_up": 19.0, "access": 23.0}


@pytest.fixture(scope="module")
def dented() -> Session:
    work = make_workpiece(make_case(CASE, Path()))
    begin = open_session(work, work.model.virgin())
    low = begin.tap_down("ball-12", 5.0, 5.0, -0.8).state
    return open_session(work, low, MINUTES)


@pytest.fixture(scope="module")
def worked(dented: Session) -> Session:
    return dented.pull("round-25", 5.0, 5.0, -0.4).push("ball-12", 5.0, 5.0, -0.2)


def test_what_was_done_stays_as_it_was(dented: Session, worked: Session) -> None:
    assert len(dented.steps) == 1
    assert [step.row.step for step in worked.steps] == [0, 1, 2]
    assert worked.steps[0] is dented.steps[0]
    with pytest.raises(ValueError, match="read-only"):
        worked.state.displacement[0, 0] = 1.0


def test_undo_and_branch_go_back_to_the_same_state(dented: Session, worked: Session) -> None:
    assert worked.undo().state is worked.steps[1].state
    assert worked.undo(2).state is dented.state
    assert worked.undo(9).state is dented.state
    other = worked.branch(1).tap_down("ball-12", 5.0, 5.0, -0.6)
    assert other.steps[1] is worked.steps[1]
    assert len(worked.steps) == 3
    for step in (-1, 3):
        with pytest.raises(ValueError, match="no state"):
            worked.branch(step)


def test_the_same_again_is_the_same_to_the_last_bit(dented: Session, worked: Session) -> None:
    again = dented.pull("round-25", 5.0, 5.0, -0.4).push("ball-12", 5.0, 5.0, -0.2)
    assert again.now.row.cells() == worked.now.row.cells()
    assert again.state.displacement.tobytes() == worked.state.displacement.tobytes()


def test_minutes_are_those_of_the_table(worked: Session) -> None:
    first, second = (step.row for step in worked.steps[1:])
    assert (first.minutes, first.tool_change) == (3.0 + 17.0 + 19.0, True)
    assert second.minutes == 5.0 + 17.0 + 23.0
    third = worked.push("ball-12", 5.0, 5.0, -0.1).now.row
    assert (third.minutes, third.tool_change) == (5.0, False)


def test_a_row_says_what_was_asked_and_what_became_of_it(worked: Session) -> None:
    row = worked.steps[1].row
    assert (row.operation, row.tool, row.goal_mm) == ("pull", "round-25", -0.4)
    assert row.outcome == Outcome.REACHED.value
    assert row.released_mm == pytest.approx(-0.4, abs=0.05)
    assert row.before_mm < row.released_mm
    found = row.stored_Nmm + row.plastic_Nmm + row.snap_Nmm
    assert row.work_Nmm + row.standing_Nmm == pytest.approx(
        found, abs=0.0101 * (row.plastic_Nmm + abs(row.work_Nmm)))


def test_a_dent_that_was_not_measured_is_never_flat(dented: Session) -> None:
    row = replace(dented.now.row, flat=True, stage="finished")
    assert (unmatched(row).flat, unmatched(row).stage) == (False, "")
    strange = open_session(dented.work, dented.work.model.virgin(), matched=False)
    assert not strange.now.row.flat
    assert open_session(dented.work, dented.work.model.virgin()).now.row.flat


@given(st.floats(allow_nan=True), st.integers(0, 10**6), st.booleans(),
       st.text(st.characters(exclude_categories=["Cs"])))
def test_a_row_read_back_is_the_row(number: float, count: int, yes: bool, words: str) -> None:
    row = StepRow(step=count, operation="pull", tool=words, force_N=number, flat=yes, risks=words)
    back = StepRow.from_cells(row.cells())
    assert tuple(row.cells()) == COLUMNS
    assert back.cells() == row.cells()
    assert (back.step, back.flat, back.tool) == (count, yes, words)
    assert back.force_N == number or math.isnan(number)


def test_a_row_with_strange_cells_is_refused() -> None:
    cells = StepRow(step=1, operation="pull").cells()
    for key, text in (("flat", "perhaps"), ("step", "one"), ("force_N", "much")):
        with pytest.raises((ValueError, KeyError)):
            StepRow.from_cells({**cells, key: text})
    del cells["stage"]
    with pytest.raises(KeyError):
        StepRow.from_cells(cells)


def test_a_recorded_session_goes_on_from_its_last_whole_step(worked: Session,
                                                             tmp_path: Path) -> None:
    for number in range(len(worked.steps)):
        record_step(tmp_path, worked.branch(number))
    back = resume(tmp_path, worked.work, MINUTES)
    assert back is not None
    assert [step.row.cells() for step in back.steps] == [s.row.cells() for s in worked.steps]
    assert back.state.displacement.tobytes() == worked.state.displacement.tobytes()
    assert back.steps[1].state is None  # only the dent's and the last are kept
    further, straight = (one.push("ball-12", 5.0, 5.0, -0.1) for one in (back, worked))
    assert further.state.displacement.tobytes() == straight.state.displacement.tobytes()
    assert further.now.row.cells() == straight.now.row.cells()
    (tmp_path / "states" / "0002.npz").write_bytes(b"torn")
    said: list[str] = []
    assert resume(tmp_path, worked.work, MINUTES, said.append) is None
    assert any("0002.npz" in text for text in said)
