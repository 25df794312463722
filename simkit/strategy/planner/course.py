"""Courses: complete repairs computed before the first step, by the planner and fixed strategies.

The same panel, tools and steps give the same result to the last bit, so a computed course is what
will happen. A planner that compares its own course with those of the fixed strategies needs at most
as many steps as the best of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from simkit.repair.levels import steps_taken
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import excess, meets, stagnates
from simkit.strategy.choice import Strategy, done_at_all, tried_out
from simkit.strategy.planner.words import Decision, words_of

Step = Callable[[Session], "Leg | None"]
Ahead = Callable[[Session], float]
SURELY = 0.7
"""No strategy is expected to need fewer steps than this share of those that a joint plan predicts.
"""
PATIENCE = 8
"""A course is given up after so many steps without progress towards a limit."""
FROM_OUTSIDE, BY_STEPS = "planner from outside", "planner by steps"
OWN = ("planner", FROM_OUTSIDE, BY_STEPS)
"""Names of the planner's own courses."""
SAME_MM = 1e-9
"""Largest difference of two fields that count as the same panel."""


@dataclass(frozen=True)
class Leg:
    """One step of a course: the panel before it, what is done and why, the panel after it."""

    before: Session
    operation: Operation
    decision: Decision
    after: Session


@dataclass(frozen=True)
class Course:
    """A computed repair, up to a stage or to the step where it was given up.

    name : its strategy; cost : steps, minutes or stretch (mm^2), then a second criterion.
    """

    name: str
    legs: tuple[Leg, ...]
    reached: bool
    cost: tuple[float, float]

    def leg_at(self, session: Session) -> Leg | None:
        """The step of the course on a panel; None if this panel is not part of the course."""
        for leg in self.legs:
            if leg.before.now.row.step == session.now.row.step and (
                    same_panel(leg.before, session)):
                return leg
        return None

    def ends_at(self, session: Session) -> bool:
        """Whether the course was given up at this panel."""
        return not self.reached and bool(self.legs) and same_panel(self.legs[-1].after, session)


def best_course(session: Session, own: Step, floor: Sequence[Strategy], objective: str,
                ahead: Ahead, say: Callable[[str], None] | None = None,
                outside: Step | None = None, by_steps: Step | None = None) -> Course:
    """The cheapest course to the next stage.

    outside : the planner's search for a course without pushes, which saves the access from behind;
    by_steps : that for the fewest steps, which is computed first and to its end.

    Candidates are the planner's own, those of the fixed strategies and, if one of these is the
    cheapest, one that starts with its steps or another's and continues with the planner where a
    joint plan predicts a shorter way.
    They are computed side by side, always the cheapest so far by one more step, so that none is
    computed much beyond the cost of the best. ahead : number of steps that a joint plan predicts
    for a panel; courses that will not be cheaper are given up early.
    """
    stage = session.stage_ahead
    search = partial(Walk, session, stage=stage, objective=objective, say=say)
    # The planner first: of courses of equal cost it goes on first, and its steps also give the
    # influence fields for `ahead`.
    walks = [search(name="planner", step=own), *(
        search(name=one.name, step=partial(next_leg, strategy=one)) for one in floor)]
    if outside is not None:
        walks.append(Walk(replace(session, work=session.work.from_outside()), stage=stage,
                          objective=objective, say=say, name=FROM_OUTSIDE, step=outside))
    best: Course | None = None
    if by_steps is not None:
        fewest = search(name=BY_STEPS, step=by_steps)
        while fewest.open:
            fewest.go_on(None, ahead)
        walks.append(fewest)
        best = fewest.course if fewest.reached else None
    while under_way := [walk for walk in walks if walk.open]:
        walk = min(under_way, key=lambda one: one.cost)
        walk.go_on(best, ahead)
        if walk.reached and (best is None or walk.cost < best.cost):
            best = walk.course
    courses = [walk.course for walk in walks]
    if best is None:
        best = min(courses, key=_rank)
    if best.name not in OWN:
        best = _told(best, walks[0])
    # a course of its own gains little from the first steps of another, and costs as much again
    left = None if best.name in OWN else _leaving(best, courses, ahead)
    if left is not None and objective == "steps":
        # the rest must need fewer steps than the best less those of `left`: (n, -inf) makes n
        # steps too many, whatever their minutes
        bound = replace(best, cost=(best.cost[0] - len(left), -np.inf))
        rest = Walk(left[-1].after, stage=stage, objective=objective, say=say, name="planner",
                    step=own)
        while rest.open:
            rest.go_on(bound, ahead)
        legs = (*left, *rest.legs)
        joined = replace(rest.course, legs=legs,
                         cost=cost_of(session, legs[-1].after, objective))
        if _rank(joined) < _rank(best):
            best = joined
    return best


def _leaving(best: Course, others: Sequence[Course], ahead: Ahead) -> tuple[Leg, ...] | None:
    """The first steps of a fixed strategy's course after which a joint plan predicts the shortest
    way, if that is shorter than the best course; else None."""
    found, least = None, best.cost[0] if best.reached else np.inf
    for course in (best, *(one for one in others if one.name != best.name)):
        # the planner has gone on from its own steps already
        for count in range(1, 0 if course.name == "planner" else len(course.legs)):
            foreseen = ahead(course.legs[count - 1].after)
            if foreseen > 0.0 and count + foreseen < least:
                found, least = course.legs[:count], count + foreseen
    if found is None:
        return None
    return tuple(replace(leg, decision=replace(
        leg.decision, why=f"{leg.decision.why}; after it a joint plan predicts the shortest way."))
        for leg in found)


class Walk:
    """A course that is being computed with a rule for its steps, step by step.

    open : whether it can go on; reached : whether its stage is; beaten : whether it was given up
    because it will not be cheaper than the best.
    """

    def __init__(self, start: Session, *, name: str, step: Step, stage: str, objective: str,
                 say: Callable[[str], None] | None = None) -> None:
        self.start, self.name, self.step = start, name, step
        self.stage, self.objective, self.say = stage, objective, say
        self.now, self.legs = start, list[Leg]()
        self.reached = self.beaten = False
        self.open = not self._at_a_limit()

    @property
    def cost(self) -> tuple[float, float]:
        """Cost of its steps so far."""
        return cost_of(self.start, self.now, self.objective)

    @property
    def course(self) -> Course:
        """What has been computed of it."""
        return Course(self.name, tuple(self.legs), self.reached, self.cost)

    def go_on(self, best: Course | None, ahead: Ahead) -> None:
        """Compute one more step, unless its cost, or its predicted cost, is not less than that of
        the best course so far."""
        if best is not None and best.reached and _no_less(
                self.cost, best.cost, self._least_left(ahead)):
            self.open, self.beaten = False, True
            return
        leg = self.step(self.now)
        if leg is None:
            self.open = False
            return
        self.legs.append(leg)
        self.now = leg.after
        goal = self.now.work.case.goal
        self.reached = not self.now.state.standing and meets(goal, self.stage, self.now.now.row)
        self.open = not (self.reached or self._at_a_limit())
        if self.say is not None:
            self.say(f"looking ahead, {self.name}, step {self.now.now.row.step}: "
                     f"{words_of(leg.operation)} leaves {leg.decision.excess_after:.2f} times the "
                     "limits")

    def _least_left(self, ahead: Ahead) -> float:
        """Least cost that is expected to be left: at least one step, since the stage is not
        reached yet, and not many fewer than a joint plan predicts; 0 if unknown."""
        if self.objective == "stretch" or not self.legs:
            return 0.0
        foreseen = ahead(self.now)
        steps = max(1.0, float(np.ceil(SURELY * foreseen)))
        if self.objective == "steps":
            return steps if foreseen else 0.0
        minutes = self.now.work.minutes
        return steps * min(minutes[kind] for kind in ("pull", "push", "tap_down"))

    def _at_a_limit(self) -> bool:
        """Whether the case allows no further step, or the last ones made no progress."""
        limits, rows = self.now.work.case.limits, [one.row for one in self.now.steps]
        return (steps_taken(self.now) >= limits.steps
                or stagnates(self.now.work.case.goal, rows, PATIENCE)
                or (limits.minutes is not None
                    and sum(row.minutes for row in rows) >= limits.minutes))


def _no_less(cost: tuple[float, float], best: tuple[float, float], left: float) -> bool:
    """Whether a course will not be cheaper than the best if it still costs as much as ``left``."""
    return cost[0] + left > best[0] if left else cost >= best


def cost_of(start: Session, end: Session, objective: str) -> tuple[float, float]:
    """Cost of a repair from one panel to another."""
    rows = [step.row for step in end.steps[len(start.steps):]]
    minutes = sum(row.minutes for row in rows)
    if objective == "minutes":
        return minutes, float(len(rows))
    if objective == "stretch":
        return end.now.row.stretch_mm2 - start.now.row.stretch_mm2, float(len(rows))
    return float(len(rows)), minutes


def _rank(course: Course) -> tuple[float, ...]:
    """Sort key: courses that reach their stage first, by cost; others by what they leave."""
    if course.reached:
        return (0.0, *course.cost)
    left = course.legs[-1].after.now.row.left_mm2 if course.legs else np.inf
    return (1.0, left, *course.cost)


def next_leg(session: Session, strategy: Strategy) -> Leg | None:
    """The next step of a fixed strategy, with the numbers that explain it."""
    operation = strategy.next(session)
    return None if operation is None else leg_of(session, operation, strategy.name)


def leg_of(session: Session, operation: Operation, name: str) -> Leg | None:
    """A step with the numbers that explain it; None if it is not possible. name : who takes it."""
    after = tried_out(session, operation)
    if after is None or not done_at_all(after):
        return None
    goal = session.work.case.goal
    before, then = (excess(goal, one.now.row) for one in (session, after))
    why = f"{name} takes the largest excess from {before:.2f} to {then:.2f} times the limits"
    return Leg(session, operation, Decision(
        after.now.row.step, operation, before, then, None, None, None, 1, why), after)


def _told(course: Course, own: Walk) -> Course:
    """A fixed strategy's course with the reason why it is taken, in each step."""
    other = (f"the planner's own search needs {len(own.legs)}" if own.reached
             else "the planner's own search not in fewer" if own.beaten
             else "the planner's own search does not reach the goal")
    says = (f"{course.name} reaches the goal in {len(course.legs)} steps, {other}"
            if course.reached else f"nothing reaches the goal, and {course.name} comes nearest")
    return replace(course, legs=tuple(
        replace(leg, decision=replace(leg.decision, why=f"{leg.decision.why}; {says}."))
        for leg in course.legs))


def same_panel(one: Session, other: Session) -> bool:
    """Whether two sessions have the same panel."""
    a, b = one.now.field, other.now.field
    if a is b:
        return True
    return bool(np.abs(np.where(a.on_panel, a.d_mm - b.d_mm, 0.0)).max() <= SAME_MM)
