"""Crown under tension: the order of its steps, what is held, and that nothing stays held."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dents import crowned

from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Advance, PathPoint
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.tension import HELD_FORCE_SHARE, CrownUnderTension, borne
from simkit.study.run import Start, run_strategy


@pytest.fixture(scope="module")
def dented() -> Session:
    return crowned(2.5, mesh=10.0, limits={"steps": 5},
                   goal={"tolerance_mm": 0.05, "slope_mrad": 1.0})


def test_holds_taps_the_crown_and_lets_down(dented: Session, tmp_path: Path):
    start = Start(dented.work, dented, {}, "", matched=True)
    run_strategy(start, CrownUnderTension(), tmp_path, lambda text: None)
    rows = [line.split(",") for line in (tmp_path / "steps.csv").read_text("utf-8").splitlines()]
    column = {name: k for k, name in enumerate(rows[0])}
    kinds = [row[column["operation"]] for row in rows[1:]]
    held = [float(row[column["held_N"]]) for row in rows[1:]]
    assert kinds[:3] == ["dent", "hold", "tap-down"]
    assert "let-down" in kinds
    assert held[kinds.index("let-down")] == 0.0
    assert held[-1] == 0.0
    assert len(kinds) <= 1 + 5
    inside = held[1:kinds.index("let-down")]
    assert min(inside) == pytest.approx(max(inside), rel=1e-6)  # a following hold


def test_what_is_held_is_a_share_of_what_it_bears(dented: Session):
    operation = CrownUnderTension().next(dented)
    assert operation is not None
    assert operation.kind == "hold"
    lift = dented.apply(Operation("pull", operation.tool, operation.x_mm, operation.y_mm))
    assert lift.now.result is not None
    assert operation.force_N == pytest.approx(HELD_FORCE_SHARE * borne(lift.now.result), rel=0.06)


def test_a_round_that_took_less_than_a_plain_operation_is_not_repeated(dented: Session):
    first = CrownUnderTension().next(dented)
    assert first is not None
    assert first.kind == "hold"
    idle = dented.hold(first.tool, first.x_mm, first.y_mm, 0.4 * float(first.force_N or 0.0))
    weak = idle.let_down()
    assert weak.now.row.left_mm2 < 0.995 * dented.now.row.left_mm2  # it did something
    following = CrownUnderTension().next(weak)
    assert following is not None
    assert following.kind != "hold"
    plain = weak.apply(following)
    step = (weak.now.row.left_mm2 / dented.now.row.left_mm2) ** 0.5  # two steps in the round
    assert plain.now.row.left_mm2 < step * weak.now.row.left_mm2


def test_a_held_panel_is_let_down_when_the_steps_run_out(dented: Session):
    case = dented.work.case
    few = replace(dented, work=replace(dented.work, case=case.model_copy(update={
        "limits": case.limits.model_copy(update={"steps": 4})})))
    held = few.hold("round-25", 0.0, 0.0, 100.0).tap_down("ball-12", 45.0, 0.0, -0.05)
    following = held.tap_down("ball-12", -45.0, 0.0, -0.05)
    last = CrownUnderTension().next(following)
    assert last is not None
    assert last.kind == "let-down"


@pytest.mark.parametrize(("forces", "expected"), [
    ((10.0, 20.0, 30.0), 30.0), ((10.0, 30.0, 29.0, 45.0), 30.0), ((), 0.0),
    ((10.0, 30.0, 29.9, 45.0), 45.0)])
def test_the_force_borne_is_the_first_top(dented: Session, forces: tuple[float, ...],
                                          expected: float):
    path = tuple(PathPoint(float(k), f, np.nan, 1, 0.0, 0.0) for k, f in enumerate(forces))
    assert borne(Advance(dented.state, Outcome.TRAVEL_LIMIT, "", path)) == expected
