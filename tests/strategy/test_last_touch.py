"""The last touch of a stage: found where a step meets all its limits, not looked for elsewhere."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy import finishing
from simkit.strategy.choice import flank_operations, tried_out
from simkit.strategy.finishing import last_touch


def with_fine(session: Session, height_mm: float, slope_mrad: float) -> Session:
    """The same panel with other limits of the stage fine; those of the goal are far stricter."""
    goal = session.work.case.goal
    fine = goal.stages.fine.model_copy(update={"height_mm": height_mm, "slope_mrad": slope_mrad})
    goal = goal.model_copy(update={
        "stages": goal.stages.model_copy(update={"fine": fine}), "tolerance_mm": 0.01,
        "slope_mrad": 0.2})
    case = session.work.case.model_copy(update={"goal": goal})
    return replace(session, work=replace(session.work, case=case))


def high_and_steep(session: Session) -> tuple[float, float]:
    row = session.now.row
    return max(-row.max_low_mm, row.max_high_mm), row.slope_mrad


def test_a_touch_that_meets_the_stage_is_found(lifted: Session) -> None:
    """The limits lie just beyond what the best single touch leaves, and this panel is outside."""
    height, slope = high_and_steep(lifted)
    left = [high_and_steep(after) for operation in flank_operations(lifted, 1)
            if (after := tried_out(lifted, operation)) is not None]
    gentlest = min(left, key=lambda pair: pair[1])
    assert gentlest[1] < 0.97 * slope  # a touch helps: otherwise this shows nothing
    near = with_fine(lifted, 1.05 * max(gentlest[0], height),
                     max(1.01 * gentlest[1], slope / (finishing.NEAR - 0.02)))
    assert not meets(near.work.case.goal, "fine", near.now.row)
    operation = last_touch(near)
    assert operation is not None
    after = near.apply(operation)
    assert meets(near.work.case.goal, "fine", after.now.row)


def test_far_from_the_stage_nothing_is_tried(lifted: Session, monkeypatch: pytest.MonkeyPatch
                                             ) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("a touch was computed")

    monkeypatch.setattr(finishing, "tried_out", never)
    height, slope = high_and_steep(lifted)
    assert last_touch(with_fine(lifted, height / 2.0, slope)) is None


def test_none_where_no_touch_meets_it(lifted: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    height, slope = high_and_steep(lifted)
    monkeypatch.setattr(finishing, "tried_out", lambda *_, **__: lifted)  # nothing changes
    assert last_touch(with_fine(lifted, 2.0 * height, slope / 1.2)) is None
