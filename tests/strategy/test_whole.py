"""Whole plans: carried out anew they leave what they foresaw; the planner goes on with them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from dents import case_with

from simkit.repair import trials
from simkit.repair.session import Session
from simkit.repair.stages import next_stage
from simkit.strategy.planner import planner as planning
from simkit.strategy.planner.joint import left_of
from simkit.strategy.planner.mind import Mind, largest_change
from simkit.strategy.planner.planner import Planner
from simkit.strategy.planner.whole import settled_plan, whole_plan
from simkit.strategy.planner.words import Choice

AIM = 0.85


def left(session: Session, mind: Mind) -> float:
    return left_of(mind.yardstick(session).read(session.now.field), AIM)


@pytest.fixture(scope="module")
def planned(lifted: Session) -> tuple[Mind, Choice]:
    mind = Mind()
    mind.measure(lifted, [(5.0, 0.0)])
    choice = whole_plan(lifted, mind, AIM)
    assert choice is not None
    return mind, choice


def test_a_whole_plan_leaves_what_it_says(lifted: Session, planned: tuple[Mind, Choice]) -> None:
    """Its passes are computed anew, one after the other, on the real model."""
    mind, choice = planned
    trials.forget()
    session = lifted.apply(choice.operation, quick=True)
    for operation, _ in choice.then:
        session = session.apply(operation, quick=True)
    assert left(session, mind) == pytest.approx(choice.merit * left(lifted, mind))
    assert choice.merit < 0.2
    assert not any(step.row.snapped for step in session.steps[len(lifted.steps):])


def test_it_uses_only_touches_that_were_computed(lifted: Session) -> None:
    """An influence field is known at the very place of each."""
    mind = Mind()
    mind.measure(lifted, [(5.0, 0.0)])
    settled = settled_plan(lifted, mind, largest_change(lifted), "steps")
    assert settled is not None
    assert mind.library is not None
    for k in settled.plan.candidates:
        x, y = float(settled.pool.x_mm[k]), float(settled.pool.y_mm[k])
        near = mind.library.nearest(settled.pool.ways[k], x, y)
        assert near is not None
        assert (near.x_mm, near.y_mm) == pytest.approx((x, y), abs=3.0)


def test_a_hand_with_errors_gets_one_pass_at_a_time(lifted: Session) -> None:
    """The panel after its first pass is not the foreseen one."""
    case = lifted.work.case
    hand = case.hand.model_copy(update={"place_mm": 2.0})
    shaky = replace(lifted, work=replace(lifted.work, case=case.model_copy(
        update={"hand": hand}).opened_from(case.file)))
    mind = Mind()
    mind.measure(shaky, [(5.0, 0.0)])
    choice = whole_plan(shaky, mind, AIM)
    assert choice is not None
    assert choice.then == ()
    assert choice.merit < 1.0


def test_the_planner_goes_on_with_a_plan_it_began(
        lifted: Session, planned: tuple[Mind, Choice], monkeypatch: pytest.MonkeyPatch) -> None:
    """The second step is the plan's second pass, but only on the panel after the first."""
    _, choice = planned
    pair = replace(choice, then=choice.then or ((choice.operation, choice.after),))
    monkeypatch.setattr(planning, "refine", lambda *_: [pair])
    monkeypatch.setattr(planning, "last_touch", lambda _: None)
    planner = Planner()
    first = planner.step(lifted)
    assert first is not None
    assert first.operation == choice.operation
    assert f"the first of {len(pair.then) + 1} steps" in first.decision.why
    monkeypatch.setattr(planning, "refine", lambda *_: [])
    monkeypatch.setattr(planning, "next_leg", lambda *_: None)
    second = planner.step(first.after)
    assert second is not None
    assert second.operation == pair.then[0][0]
    assert ", the next step of the plan, takes" in second.decision.why
    monkeypatch.setattr(planning, "refine", lambda *_: [pair])
    assert planner.step(lifted) is not None
    monkeypatch.setattr(planning, "refine", lambda *_: [])
    assert planner.step(lifted) is None


def test_once_fine_the_next_stage_is_the_goal() -> None:
    """Also if a later step exceeds the height of fine by a little."""
    goal = case_with(goal={"stage": "finished"}).goal

    class Read:
        """A reading."""

        max_low_mm = -0.02

        def __init__(self, high: float, slope: float) -> None:
            self.max_high_mm, self.slope_mrad = high, slope

    rough, fine, high = Read(0.3, 9.0), Read(0.08, 3.0), Read(0.101, 2.5)
    assert next_stage(goal, [rough]) == "fine"
    assert next_stage(goal, [rough, fine]) == "finished"
    assert next_stage(goal, [rough, fine, high]) == "finished"
    assert next_stage(case_with(goal={"stage": "roughed"}).goal, [rough]) == "roughed"


def test_the_struck_dent_is_finished(dented: Session) -> None:
    """0.1 mm and 2 mrad, judged by the complete computation of every step, in at most eight."""
    session, planner = dented, Planner()
    for _ in range(8):
        if session.now.row.flat:
            break
        leg = planner.step(session)
        assert leg is not None
        session = session.apply(leg.operation)
    assert session.now.row.flat
    assert session.now.row.slope_mrad <= 2.0
    assert max(-session.now.row.max_low_mm, session.now.row.max_high_mm) <= 0.1
