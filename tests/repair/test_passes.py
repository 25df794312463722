"""A pass of light touches is one step; ends by force, energy and travel. Truth: EXACT identities.

The work done by a blow is its energy (definition); a pass is the touches done one by one.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from struck_session import struck_session

from simkit.errors import InputError
from simkit.live.talk import operation_of
from simkit.record.read import read_path
from simkit.record.write import record_step, resume
from simkit.repair.operations import Operation
from simkit.repair.passes import MOST_CHOSEN, Spread
from simkit.repair.session import Session, open_session
from simkit.repair.spoken import read_operation, say_operation
from simkit.repair.stages import steps_of
from simkit.strategy.passing import LightPasses, passes_over

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: curved
  radius_y_mm: 500
  length_x_mm: 160
  length_y_mm: 120
  thickness_mm: 0.8
  grade: DC04
  edges: {left: held, right: held, bottom: held, top: held}
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit:
  tabs: [round-25]
  tips: [ball-12]
  glue: {name: strong, tension_MPa: 20, shear_MPa: 20}
  lifters: [{name: mini, span_mm: 70, pad_mm: 12}]
goal: {tolerance_mm: 0.05, slope_mrad: 1.0}
"""
LINE = Spread(24.0, 12.0)


@pytest.fixture(scope="module")
def dented(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return struck_session(tmp_path_factory.mktemp("case"), CASE)


def test_places_of_a_pass():
    assert Spread(20.0, 10.0).places(5.0, 1.0, 0.0) == [(-5.0, 1.0), (5.0, 1.0), (15.0, 1.0)]
    area = Spread(20.0, 10.0, 10.0, 2)
    assert area.grid == (3, 2)
    assert area.count == len(area.places(0.0, 0.0, 30.0)) == 12
    to_and_fro = np.array(area.places(0.0, 0.0, 90.0))[:6]
    assert np.abs(np.diff(to_and_fro, axis=0)).sum(axis=1).max() == pytest.approx(10.0)
    steps = np.linalg.norm(np.diff(Spread(21.0, 10.0).places(0.0, 0.0, 30.0), axis=0), axis=1)
    assert steps == pytest.approx([7.0, 7.0, 7.0])


def test_a_pass_is_its_touches_one_by_one_and_one_step(dented: Session, tmp_path: Path):
    one = dented.push_pass("ball-12", 0.0, 0.0, LINE, force_N=250.0, to_mm=0.0)
    apart = dented
    for x in (-12.0, 0.0, 12.0):
        apart = apart.apply(Operation("push", "ball-12", x, 0.0, 0.0, force_N=250.0))
    assert np.array_equal(one.state.displacement, apart.state.displacement)
    row, rows = one.now.row, [step.row for step in apart.steps[1:]]
    assert (row.step, row.touches) == (1, 3)
    for key in ("work_Nmm", "stored_Nmm", "plastic_Nmm", "iterations"):
        assert getattr(row, key) == pytest.approx(sum(getattr(r, key) for r in rows), rel=1e-12)
    assert row.energy_error_pct < 1.0
    assert row.force_N == max(r.force_N for r in rows) == pytest.approx(250.0, rel=0.021)
    times = dented.work.minutes
    assert rows[1].minutes == times["push"]
    assert row.minutes == pytest.approx(rows[0].minutes + 2 * times["further_touch"])
    record_step(tmp_path, dented)
    record_step(tmp_path, one)
    again = resume(tmp_path, dented.work, None)
    assert again is not None
    assert again.now.row.cells() == row.cells()
    redone = dented.apply(read_operation(row.said))
    assert np.array_equal(redone.state.displacement, one.state.displacement)


def test_a_pass_at_chosen_places_is_its_touches_each_to_its_height(dented: Session):
    """EXACT identity with the touches one by one; a place beyond its height is left out."""
    touches = ((-12.0, 4.0, -0.9), (0.0, -5.0, -0.8), (60.0, 40.0, -5.0))
    (x, y, goal), *further = touches
    one = dented.apply(Operation("push", "ball-12", x, y, goal, further=tuple(further)))
    apart = dented
    for x, y, goal in touches:
        apart = apart.apply(Operation("push", "ball-12", x, y, goal))
    assert np.array_equal(one.state.displacement, apart.state.displacement)
    row = one.now.row
    assert (row.step, row.touches) == (1, 2)
    assert "1 places beyond" in row.reason
    assert row.minutes == pytest.approx(
        apart.steps[1].row.minutes + dented.work.minutes["further_touch"])
    redone = dented.apply(read_operation(row.said))
    assert np.array_equal(redone.state.displacement, one.state.displacement)


def test_places_beyond_the_goal_are_passed_over(dented: Session):
    row = dented.tap_pass("ball-12", 0.0, 0.0, LINE, force_N=100.0).now.row
    assert (row.touches, row.outcome) == (0, "already past")
    assert "3 places beyond the goal" in row.reason
    assert row.plastic_Nmm == 0.0 or np.isnan(row.plastic_Nmm)


@pytest.mark.parametrize("operation", [
    Operation("push", "ball-12", 38.0, 0.0, -9.0), Operation("tap-down", "ball-12", 0.0, 0.0, 9.0),
    Operation("hold", "ball-12", 38.0, 0.0, -9.0), Operation("hold", "round-25", 38.0, 0.0, -9.0)])
def test_a_place_past_its_height_is_said_and_costs_nothing(dented: Session, operation: Operation):
    """Exact: nothing is done to a place that an operation could only move further off."""
    past = dented.apply(operation)
    row = past.now.row
    assert (row.outcome, row.minutes, row.force_N, row.touches) == ("already past", 0.0, 0.0, 0)
    assert "beyond" in row.reason
    assert past.state is dented.state
    assert steps_of([step.row for step in past.steps]) == 0
    worked = past.pull("round-25", 0.0, 0.0, -0.5)
    assert worked.now.row.minutes == dented.pull("round-25", 0.0, 0.0, -0.5).now.row.minutes
    assert steps_of([step.row for step in worked.steps]) == 1


@pytest.mark.parametrize("energy_mJ", [60.0, 300.0])
def test_a_blow_does_the_work_of_its_energy(dented: Session, energy_mJ: float):
    """What the tip does on the sheet until it is let go is the energy of the blow: met within
    1 % on the way and booked within as much."""
    done = dented.apply(Operation("tap-down", "ball-12", 38.0, 0.0, -9.0, energy_mJ=energy_mJ))
    result = done.now.result
    assert result is not None
    assert result.outcome.value == "blow spent"
    assert result.put_in == pytest.approx(energy_mJ, rel=0.02)
    assert 0.0 < result.work < result.put_in  # the sheet gives some of it back
    assert result.energy_error_pct < 1.0


def test_travel_ends_a_tap(dented: Session):
    row = dented.apply(Operation("tap-down", "ball-12", 38.0, 0.0, -9.0, travel_mm=0.4)).now.row
    assert (row.outcome, row.travel_mm) == ("travel limit", pytest.approx(0.4, rel=1e-9))


@pytest.mark.parametrize("text", [
    "push ball-12 at 1,2 to 0 by 120 over 60 every 8 turn 30",
    "tap-down ball-12 at 1,2 to -0.05 with 20 over 60x30 every 8.5 times 2",
    "tap-down ball-12 at 1.23456789,2 to 0 deep 0.4 everything-off may-snap",
    "push ball-12 at 1,2 to 0 by 120 and 3,4 to 0.05 and -5,6.25 to -0.1 turn 30",
    "pull round-25 at 1,2 to 0 with 500 turn 45 lifter mini",
    "pull round-25 at 1,2 to 0 glue cold-tack", "hold round-25 at 1,2 by 40 glue warm-melt",
    "hold round-25 at 1,2 by 100 springy 50", "hold round-25 at 1,2 to -1 locked"])
def test_words_there_and_back(text: str):
    assert say_operation(read_operation(text)) == text


def test_the_longest_pass_is_read_back_also_by_the_live_page():
    """Every number with all the digits that are said."""
    place = (-123.456789012, -123.456789012, -0.123456789012)
    longest = Operation("push", "ball-12", *place, angle_deg=45.0,
                        further=(MOST_CHOSEN - 1) * (place,))
    said = say_operation(longest)
    assert read_operation(said) == longest
    assert operation_of({"text": said}) == longest


@pytest.mark.parametrize("text", [
    "push ball-12 at 1,2 over 60", "push ball-12 at 1,2 every 6",
    "tap ball-12 at 1,2 over 60 every 0",
    "tap ball-12 at 1,2 over 900x900 every 1", "tap ball-12 at 1,2 over 60 every 8 times 1.5",
    "tap ball-12 at 1,2 to 0 to 1", "tap ball-12 at 1,2 locked", "tap ball-12 at 1,2 hard",
    "tap ball-12 at 1,2 and 3,4", "tap ball-12 at 1,2 and 3 to 0", "tap ball-12 at 1,2 and to 0",
    "tap ball-12 at 1,2 and 3,1e999 to 0", "tap ball-12 at 1,2" + MOST_CHOSEN * " and 3,4 to 0"])
def test_words_that_make_no_pass_are_refused(text: str):
    with pytest.raises(InputError):
        read_operation(text)


@pytest.mark.parametrize("operation", [
    Operation("pull", "round-25", 0.0, 0.0, spread=LINE),
    Operation("pull", "round-25", 0.0, 0.0, travel_mm=1.0),
    Operation("tap-down", "ball-12", 0.0, 0.0, energy_mJ=-1.0),
    Operation("tap-down", "ball-12", 0.0, 0.0, lifter="mini"),
    Operation("pull", "round-25", 0.0, 0.0, lifter="maxi"),
    Operation("pull", "round-25", 0.0, 0.0, glue="no such glue"),
    Operation("push", "ball-12", 0.0, 0.0, glue="cold-tack"),
    Operation("hold", "round-25", 0.0, 0.0, force_N=50.0, way="locked", lifter="mini"),
    Operation("tap-down", "ball-12", 70.0, 0.0, spread=Spread(80.0, 10.0)),
    Operation("pull", "round-25", 0.0, 0.0, further=((5.0, 0.0, 0.0),)),
    Operation("hold", "ball-12", 0.0, 0.0, further=((5.0, 0.0, 0.0),)),
    Operation("push", "ball-12", 0.0, 0.0, spread=LINE, further=((5.0, 0.0, 0.0),)),
    Operation("push", "ball-12", 0.0, 0.0, further=((500.0, 0.0, 0.0),)),
    Operation("push", "ball-12", 0.0, 0.0, further=((5.0, 0.0, np.nan),))])
def test_operations_that_cannot_be_are_refused(dented: Session, operation: Operation):
    with pytest.raises(InputError):
        dented.apply(operation)


def test_without_spread_nothing_has_changed(dented: Session):
    op = Operation("push", "ball-12", 0.0, 0.0, -1.0)
    assert dented.apply(op).now.row.touches == 1
    assert replace(op, spread=None) == op


def test_a_strategy_works_a_long_ridge_in_one_step(dented: Session):
    """A ridge pushed up on the virgin panel: the worst spot is high and longer than the tip."""
    work = dented.work
    ridge = open_session(work, work.model.virgin()).push_pass(
        "ball-12", 0.0, 0.0, Spread(36.0, 12.0), to_mm=0.4)
    operation = LightPasses().next(ridge)
    assert operation is not None
    assert operation.kind == "tap-down"
    after = ridge.apply(operation)
    assert after.now.row.left_mm2 < ridge.now.row.left_mm2
    spot = next(spot for spot in ridge.spots() if spot.kind == "high")
    over = next(passes_over(ridge, replace(spot, long_mm=60.0, short_mm=10.0)))
    assert over.spread is not None
    assert over.spread.count == 4
    passed = ridge.apply(replace(over, goal_mm=0.0))
    assert passed.now.row.touches > 1
    assert passed.now.row.max_high_mm < ridge.now.row.max_high_mm


def test_a_pull_by_a_lifter_reaches_its_goal(dented: Session):
    """Its feet press on the panel beside the tab, which changes the force it takes."""
    op = Operation("pull", "round-25", 0.0, 0.0, -1.0)
    away, by = dented.apply(op).now.row, dented.apply(replace(op, lifter="mini")).now.row
    assert away.outcome == by.outcome == "reached"
    assert by.released_mm == pytest.approx(-1.0, abs=0.02)
    assert by.energy_error_pct < 1.0
    assert by.force_N != pytest.approx(away.force_N, rel=0.01)


def test_another_glue_lets_go_earlier_and_its_record_is_read_back(dented: Session, tmp_path):
    """Less strength, less force (area times strength is the most that any tab can carry)."""
    pull = Operation("pull", "round-25", 0.0, 0.0, 0.0)
    strong = dented.apply(pull)
    weak = dented.apply(replace(pull, glue="cold-tack"))
    area = dented.work.tabs[0].area_mm2
    assert strong.now.row.outcome == "reached"
    assert weak.now.row.outcome == "glue let go"
    assert 0.0 < weak.now.row.force_N < dented.work.glue_named("cold-tack").holds_N(area)
    assert "glue cold-tack" in weak.now.row.said
    record_step(tmp_path, weak)
    path = read_path(tmp_path, weak.now.row.step)
    assert max(path.force_N) == pytest.approx(weak.now.row.force_N)


def test_words_of_a_row_say_how_many_places_a_pass_touched(dented: Session):
    row = dented.tap_pass("ball-12", 38.0, 0.0, LINE, force_N=100.0).now.row
    assert replace(row, touches=3).deed == "tap-down ball-12, 3 touches"
    assert replace(row, touches=1).deed == "tap-down ball-12"
    assert dented.now.row.deed == "dent"
