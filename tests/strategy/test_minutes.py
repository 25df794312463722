"""The planner by minutes: access from behind paid once, work from outside, the budget kept.

Minutes are those of simkit's own table (common practice, no source), added up by hand.
"""

from __future__ import annotations

import pytest
from dents import case_with

from simkit.case.vary import with_keys
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.stages import meets
from simkit.repair.workpiece import make_workpiece
from simkit.strategy.choice import kinds_for, open_spots
from simkit.strategy.planner.course import (
    BY_STEPS,
    FROM_OUTSIDE,
    Leg,
    best_course,
    leg_of,
)
from simkit.strategy.planner.planner import Planner

PUSH = Operation("push", "ball-20", 5.0, 0.0)
PULL = Operation("pull", "round-20", 5.0, 0.0)
HALF = Operation("pull", "round-20", 5.0, 0.0, -1.08)


def eased(session: Session) -> Session:
    """The same panel with a *fine* that a good lift reaches: 1 mm, 60 mrad."""
    case = with_keys(case_with(), {"goal.stages.fine.height_mm": 1.0,
                                   "goal.stages.fine.slope_mrad": 60.0})
    return open_session(make_workpiece(case), session.state)


def leg(session: Session, operation: Operation) -> Leg | None:
    return leg_of(session, operation, "a test")


def test_from_outside_nothing_is_reached_from_behind(dented: Session) -> None:
    outside = dented.work.from_outside()
    assert dented.work.reaches(5.0, 0.0)
    assert not outside.reaches(5.0, 0.0)
    assert outside.model is dented.work.model
    spot = next(one for one in open_spots(dented) if one.kind == "low")
    assert "push" in kinds_for(dented, spot)
    assert kinds_for(Session(outside, dented.steps, dented.ring), spot) == ["pull"]


def test_the_course_from_outside_is_taken_where_it_saves_the_access(dented: Session) -> None:
    """Set-up 10 and a push of 1 with its access of 15 and change of tool 1, against two pulls of 3
    with one change of tool: 27 minutes in one step and 17 in two."""
    session = eased(dented)
    assert not meets(session.work.case.goal, "fine", session.now.row)
    asked = {"minutes": FROM_OUTSIDE, "steps": "planner"}
    for objective, name in asked.items():
        done = best_course(session, lambda at: leg(at, PUSH), [], objective, lambda at: 0.0,
                           outside=lambda at: leg(
                               at, PULL if at.now.row.step > session.now.row.step else HALF))
        assert done.reached
        assert done.name == name
        spent = sum(one.after.now.row.minutes for one in done.legs)
        assert spent == pytest.approx(17.0 if name == FROM_OUTSIDE else 27.0)


def test_the_course_of_fewest_steps_counts_by_its_minutes_too(dented: Session) -> None:
    """It is computed first; a search by minutes that cannot be shorter any more is given up."""
    session, begun = eased(dented), []

    def dear(at: Session) -> Leg | None:
        begun.append(at)
        return leg(at, PUSH)

    done = best_course(session, dear, [], "minutes", lambda at: 0.0, by_steps=lambda at: leg(
        at, PULL if at.now.row.step > session.now.row.step else HALF))
    assert (done.name, done.reached, len(done.legs)) == (BY_STEPS, True, 2)
    assert len(begun) == 1
    assert Planner("minutes")._by_steps() is not None
    assert Planner("steps")._by_steps() is None


def test_a_second_search_is_made_only_where_it_can_save_the_access(dented: Session) -> None:
    assert Planner("minutes")._outside(dented) is not None
    assert Planner("steps")._outside(dented) is None
    assert Planner("minutes")._outside(dented.apply(PUSH)) is None


@pytest.mark.parametrize("minutes", [13.0, 20.0])
def test_the_last_resort_keeps_to_the_budget(
        dented: Session, monkeypatch: pytest.MonkeyPatch, minutes: float) -> None:
    """Its searches put out of work: the worst spot's pull needs 14 minutes with the set-up."""
    case = with_keys(case_with(), {"limits.minutes": minutes})
    session = open_session(make_workpiece(case), dented.state)
    planner = Planner()
    monkeypatch.setattr(planner, "_searched", lambda session: None)
    done = planner.step(session)
    assert (done is not None) == (minutes > 14.0)
    while done is not None:
        session = done.after
        done = planner.step(session)
    assert sum(step.row.minutes for step in session.steps) <= minutes
