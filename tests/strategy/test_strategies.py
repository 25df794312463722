"""How strategies choose: what pays, what fits, what a hand makes of it, strategies of one's own.

Nothing here is compared with an earlier run: each test states what the rule must do.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dents import case_with, struck

from simkit.errors import InputError, InputErrors
from simkit.history.strike import Blow, strike
from simkit.inspection.measures import limit_use
from simkit.inspection.sampling import probe_at
from simkit.repair import operations
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.stages import excess
from simkit.repair.trials import forget
from simkit.repair.workpiece import make_workpiece
from simkit.strategy import BUILTIN, find_strategy, strategy_names
from simkit.strategy.choice import best_of, open_spots, tried_out
from simkit.strategy.heights import how_far, operation_for
from simkit.study.hand import by_hand


def test_every_fixed_strategy_takes_a_step_that_leaves_less(dented: Session) -> None:
    for strategy in BUILTIN:
        operation = strategy.next(dented)
        assert operation is not None, strategy.name
        assert dented.apply(operation).now.row.left_mm2 < dented.now.row.left_mm2


def test_a_step_to_the_wrong_side_does_nothing(lifted: Session) -> None:
    """A tap whose goal lies above the place, a push whose goal lies below it."""
    here = probe_at(lifted.work.model, 20.0, 10.0).read(lifted.state.displacement)
    for kind, goal in (("tap-down", here + 0.05), ("push", here - 0.05)):
        operation = Operation(kind, "ball-12", 20.0, 10.0, goal)
        assert tried_out(lifted, operation) is None
        after = lifted.apply(operation)
        assert after.now.row.outcome == "already past"
        assert np.array_equal(after.state.displacement, lifted.state.displacement)


@pytest.mark.parametrize("way", [0.015, 0.005, 0.003])
def test_fine_work_comes_nearer_than_the_usual_tolerance(lifted: Session, way: float) -> None:
    """A way of a few thousandths is made to two: 0.01 mm of tolerance would leave it undone."""
    here = probe_at(lifted.work.model, 30.0, 20.0).read(lifted.state.displacement)
    after = lifted.push("ball-20", 30.0, 20.0, here + way)
    assert after.now.row.released_mm == pytest.approx(here + way, abs=0.002)


def test_a_tool_that_does_not_fit_is_passed_over() -> None:
    """A tab of 40 mm beside the edge; the narrow one still fits there."""
    session = struck(case_with(kit={"tabs": ("round-40", "round-16"), "tips": ("ball-12",)},
                               panel={"surface": "flat", "length_x_mm": 220, "length_y_mm": 180,
                                      "thickness_mm": 0.75, "grade": "DC04"}))
    edge = Operation("pull", "round-40", -98.0, 0.0, 0.05)
    assert tried_out(session, edge) is None
    assert tried_out(session, replace(edge, tool="round-16")) is not None
    with pytest.raises(InputError, match="round-40"):
        session.apply(edge)


def test_only_what_pays_is_done(lifted: Session) -> None:
    """Of a push that mends and one that raises a place already too high, the first."""
    spot = open_spots(lifted)[0]
    kind = "tap-down" if spot.kind == "high" else "push"
    good = Operation(kind, "ball-20", round(spot.x_mm, 2), round(spot.y_mm, 2), 0.0)
    bad = Operation("push", "ball-20", -60.0, 40.0, 0.6)
    assert best_of(lifted, [bad]) is None
    assert best_of(lifted, [bad, good]) == good


def test_a_lift_goes_past_flush_only_where_that_leaves_less(dented: Session) -> None:
    flush = Operation("push", "ball-20", 5.0, 0.0, 0.0)
    chosen = how_far(dented, flush)
    assert chosen.goal_mm in (0.0, 0.15, 0.3, 0.5)
    assert replace(chosen, goal_mm=0.0) == flush
    if chosen.goal_mm == 0.0:
        past = dented.apply(replace(flush, goal_mm=0.5)).now.row
        assert past.left_mm2 > dented.apply(flush).now.row.left_mm2


def test_spots_are_worked_by_how_far_they_are_out(lifted: Session) -> None:
    """The first spot carries the largest use of the limits, at its top or on its flank."""
    spots, goal = open_spots(lifted), lifted.work.case.goal
    assert len(spots) > 1
    use = limit_use(lifted.now.field, *goal.limits, goal.slope_base_mm)
    row, column = np.unravel_index(int(use.argmax()), use.shape)
    field = lifted.now.field
    away = [np.hypot(spot.x_mm - field.x_mm[column], spot.y_mm - field.y_mm[row])
            / (0.5 * spot.long_mm + 20.0) for spot in spots]
    assert away[0] < 1.0
    assert excess(lifted.work.case.goal, lifted.now.row) > 1.0


def test_a_hand_errs_by_its_errors_and_its_seed(lifted: Session) -> None:
    """Normal errors: over 300 steps the mean is near nought, the standard deviation as asked."""
    planned = Operation("push", "ball-20", 10.0, 5.0, 0.2)
    assert by_hand(lifted, planned) == planned
    case = lifted.work.case.model_copy(update={
        "hand": lifted.work.case.hand.model_copy(update={"place_mm": 2.0, "height_pct": 10.0})})
    shaky = replace(lifted, work=replace(lifted.work, case=case))
    first = by_hand(shaky, planned)
    assert first == by_hand(shaky, planned) != planned
    errors = []
    for step in range(300):
        now = replace(shaky.now, row=replace(shaky.now.row, step=step))
        done = by_hand(replace(shaky, steps=(*shaky.steps[:-1], now)), planned)
        errors.append((done.x_mm - 10.0, done.y_mm - 5.0))
    one, other = ((10.0, 5.0, 0.2), (-20.0, 8.0, 0.1))
    passed = by_hand(shaky, replace(planned, further=(other,)))
    assert replace(passed, further=()) == first
    assert passed.further[0][0] + 20.0 != pytest.approx(passed.x_mm - one[0], abs=0.01)
    assert passed.further[0] != other
    assert np.mean(errors) == pytest.approx(0.0, abs=0.3)
    assert np.std(errors) == pytest.approx(2.0, rel=0.1)


OWN = """\
class Mine:
    def next(self, session):
        return None
"""


def test_a_strategy_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "shop.py").write_text(OWN, "utf-8")
    own = ({"name": "ours", "file": "shop.py", "class_name": "Mine"},)
    case = case_with(tmp_path, own_strategies=own, strategies=("ours", "planner"))
    assert strategy_names(case)[-1] == "ours"
    assert find_strategy("ours", case).name == "ours"
    with pytest.raises(InputError, match="no strategy 'ours'"):
        find_strategy("ours")
    with pytest.raises(InputErrors, match="is built in"):
        case_with(tmp_path, own_strategies=({**own[0], "name": "planner"},))


@pytest.mark.parametrize(("text", "class_name", "says"), [
    (OWN, "Yours", "no class 'Yours'"), ("def (", "Mine", "SyntaxError"),
    ("1 / 0\n", "Mine", "ZeroDivisionError"), ("class Mine: pass\n", "Mine", "no method 'next'")])
def test_a_bad_strategy_of_ones_own_says_what_is_wrong(
        tmp_path: Path, text: str, class_name: str, says: str) -> None:
    (tmp_path / "shop.py").write_text(text, "utf-8")
    case = case_with(tmp_path, own_strategies=(
        {"name": "ours", "file": "shop.py", "class_name": class_name},))
    with pytest.raises(InputError, match=says) as caught:
        find_strategy("ours", case)
    assert "\n" not in str(caught.value)


def test_code_outside_the_folder_of_the_case_is_not_run(tmp_path: Path) -> None:
    (tmp_path / "shop.py").write_text("raise SystemExit('ran')\n", "utf-8")
    inner = tmp_path / "case"
    inner.mkdir()
    case = case_with(inner, own_strategies=(
        {"name": "ours", "file": "../shop.py", "class_name": "Mine"},))
    with pytest.raises(InputError, match="in the case's folder"):
        find_strategy("ours", case)


def test_a_deep_lift_that_searches_give_up_is_tried_in_full(dented: Session, monkeypatch) -> None:
    """A panel that springs back takes more iterations than a search may spend: the lift that goes
    to flush all the same is not put off for one half-way."""
    monkeypatch.setattr("simkit.repair.operations.SEARCHED", 2)
    forget()  # what other tests tried, and afterwards what was tried here
    low = min(dented.spots(), key=lambda spot: spot.height_mm)
    quick = tried_out(dented, Operation("push", "ball-20", low.x_mm, low.y_mm, 0.0), quick=True)
    assert quick is not None
    assert quick.now.row.outcome == "did not converge"
    chosen = operation_for(dented, low)
    assert chosen is not None
    assert chosen.goal_mm == 0.0
    after = dented.apply(chosen).now.row
    forget()
    assert after.outcome == "reached"
    assert after.left_mm2 < dented.now.row.left_mm2


def test_a_lift_that_brings_little_is_held_against_those_that_searches_give_up(monkeypatch) -> None:
    """The smaller tab pays, but leaves the low nearly as deep; the larger one, given up by the
    search, brings eight tenths of it."""
    work = make_workpiece(case_with(
        kit={"tabs": ("round-12", "round-40"), "tips": ("ball-12",), "glue": "weak-hot-melt"},
        panel={"surface": "curved", "length_x_mm": 220, "length_y_mm": 180, "radius_x_mm": 900,
               "radius_y_mm": 700, "thickness_mm": 0.75, "grade": "DC04",
               "behind": {"reach": "none"}}))
    deep = open_session(work, strike(work, work.model.virgin(),
                                     Blow("ball", 30.0, 5.0, 0.0, -5.0)).state)
    usual = operations.SEARCHED

    def given_up(session: Session, operation: Operation, quick: bool = False) -> Session | None:
        operations.SEARCHED = 2 if operation.tool == "round-40" else usual
        return tried_out(session, operation, quick)

    monkeypatch.setattr(operations, "SEARCHED", usual)  # restored at the end
    monkeypatch.setattr("simkit.strategy.choice.tried_out", given_up)
    monkeypatch.setattr("simkit.strategy.heights.tried_out", given_up)
    low = min(deep.spots(), key=lambda spot: spot.height_mm)
    small = Operation("pull", "round-12", low.x_mm, low.y_mm)
    assert best_of(deep, [small, replace(small, tool="round-40")]) == small  # it does pay
    chosen = operation_for(deep, low)
    forget()
    assert chosen is not None
    assert chosen.tool == "round-40"
    assert deep.apply(chosen).now.row.max_low_mm > 0.2 * low.height_mm
