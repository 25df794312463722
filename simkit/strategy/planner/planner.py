"""The planner: from the panel as it stands to the step that leads furthest, and why.

While the dent is deep it solves lines of two steps (`deep`). After the main lift it makes a joint
plan of the fewest operations by adding influence fields (`joint`), solves its weightiest few for
true, and takes the one after which a new plan is shortest. What each solve shows is kept
(`influence`), and every step is planned anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.strategy.choice import (
    done_at_all,
    height_at,
    lifting_kinds,
    open_spots,
    operations_at,
    tried_out,
)
from simkit.strategy.planner import deep
from simkit.strategy.planner.candidates import lattice, make_pool, ways_of, worst_places
from simkit.strategy.planner.influence import Library
from simkit.strategy.planner.joint import Pool, by_weight, joint_plan, left_of
from simkit.strategy.planner.words import Choice, Decision, decide, ranked
from simkit.strategy.planner.yardstick import Yardstick, make_yardstick

Array = np.ndarray
VERIFIED, LEARNT = 4, 4
"""So many operations of a plan are solved for true before one is taken; and before it is made
anew."""
ROUNDS = 2
"""A plan is made so often, each time with what the solves of the last taught."""
AIMS = (0.9, 0.75, 0.5)
"""Shares of the limits that are aimed at, one after the other as long as nothing is left to do."""
LEAST_GAIN = 0.005
"""A step that lowers the merit by less than this share is not worth it."""


@dataclass
class Planner:
    """Search for the fewest steps (or minutes, or least stretch) to the goal.

    ``objective``: steps, minutes or stretch. Steps that would go beyond the minutes of
    the case's limits are not taken. The planner remembers what its solves taught, why it
    chose (``decision``) and how many steps its plan has (``plan_length``, None where it does not
    reach the limits), so that one planner serves one repair.
    """

    objective: str = "steps"
    name: str = "planner"
    decision: Decision | None = None
    plan_length: int | None = None
    _library: Library | None = field(default=None, repr=False)
    _limits: tuple[float, float] | None = field(default=None, repr=False)

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`; says why in ``decision``."""
        if session.now.row.flat:
            return None
        yard = self._yardstick(session)
        row = session.now.row
        deepest = max(-row.max_low_mm, row.max_high_mm)
        choices: list[Choice] = []
        if deepest > deep.DEEP_MM:
            choices = self._lift(session)
        if not choices:
            choices = self._refine(session, yard)
        spent = sum(step.row.minutes for step in session.steps)
        budget = session.work.case.limits.minutes
        if budget is not None:
            choices = [choice for choice in choices
                       if spent + choice.after.now.row.minutes <= budget]
        self.decision = decide(session, self._confirmed(session, choices))
        return self.decision.operation if self.decision else None

    def _confirmed(self, session: Session, choices: list[Choice]) -> list[Choice]:
        """The best two for the objective, carried out in full: what is said of them is true."""
        sure: list[Choice] = []
        for choice in ranked(session, choices, self.objective):
            after = tried_out(session, choice.operation)
            if after is not None and done_at_all(after):
                sure.append(replace(choice, after=after))
            if len(sure) == 2:
                break
        known = {choice.operation for choice in sure}
        return sure + [choice for choice in choices if choice.operation not in known and sure]

    def _yardstick(self, session: Session) -> Yardstick:
        """Yardstick for the stage that comes next; a new one keeps what is known."""
        goal = session.work.case.goal
        limits = goal.limits if meets(goal, "fine", session.now.row) else goal.limits_of("fine")
        if self._library is None:
            self._library = Library(make_yardstick(session.work, limits))
        elif self._limits != limits:
            self._library = self._library.for_limits(make_yardstick(session.work, limits))
        self._limits = limits
        return self._library.yardstick

    def _solve(self, session: Session, operation: Operation) -> Session | None:
        """A step solved quickly; None where the tool does not fit or no balance is found."""
        after = tried_out(session, operation, quick=True)
        if after is None or not done_at_all(after):
            return None
        assert self._library is not None
        if max(-session.now.row.max_low_mm, session.now.row.max_high_mm) <= deep.DEEP_MM:
            self._library.learn(operation, session, after)
        return after

    def _lift(self, session: Session) -> list[Choice]:
        """Lines of two solved steps from a deep dent."""
        before = np.sqrt(session.now.row.left_mm2)
        lines = deep.search(session, self._solve)
        return [Choice(line.operation, line.after, float(np.sqrt(line.left_mm2)) / before,
                       float(np.sqrt(line.later_mm2)) / before, line.second)
                for line in lines if line.later_mm2 < (1.0 - LEAST_GAIN) * before**2]

    def _refine(self, session: Session, yard: Yardstick) -> list[Choice]:
        """The weightiest operations of the joint plan, solved for true."""
        assert self._library is not None
        parts = yard.read(session.now.field)
        worst = worst_places(session, yard, parts)
        self._measure(session, worst)
        for aim in AIMS:
            choices = self._planned(session, yard, parts, worst, aim)
            if choices:
                return choices
        return []

    def _planned(self, session: Session, yard: Yardstick, parts: Array,
                 worst: list[tuple[float, float]], aim: float) -> list[Choice]:
        """A plan of all places and ways, planned anew with what its own solves taught."""
        assert self._library is not None
        largest = largest_change(session)
        solved: dict[Operation, Session] = {}
        for round_ in range(ROUNDS):
            pool = make_pool(session, self._library, worst + lattice(session))
            if not len(pool.ways):
                return []
            plan = joint_plan(parts, pool, largest, aim)
            self.plan_length = len(plan.candidates) if plan.complete else None
            order = by_weight(parts, pool, plan, aim) if plan.candidates else []
            for number in order[:VERIFIED if round_ == ROUNDS - 1 else LEARNT]:
                operation = operation_of(session, pool, plan.candidates[number],
                                         plan.changes_mm[number])
                after = self._solve(session, operation)
                if after is not None and not after.now.row.snapped:
                    solved[operation] = after
        before = left_of(parts, aim)
        if before <= 0.0:
            return []
        for operation in self._at_worst(session):
            after = self._solve(session, operation)
            if after is not None and not after.now.row.snapped:
                solved[operation] = after
        by_left = sorted(solved.items(),
                         key=lambda pair: left_of(yard.read(pair[1].now.field), aim))
        choices = []
        for operation, after in by_left[:VERIFIED]:
            left = yard.read(after.now.field)
            now = left_of(left, aim)
            ahead = joint_plan(left, pool, largest, aim)
            if now < (1.0 - LEAST_GAIN) * before or after.now.row.flat:
                choices.append(Choice(operation, after, now / before, ahead.left / before, None,
                                      len(ahead.candidates) if ahead.complete else None))
        return choices

    def _at_worst(self, session: Session) -> list[Operation]:
        """The worst spot brought to flush with each of the tools that fit it best."""
        found = []
        for spot in open_spots(session)[:1]:
            kinds = ["tap-down"] if spot.kind == "high" else lifting_kinds(session, spot)
            for kind in kinds:
                found += operations_at(session, kind, spot)[:2]
        return found

    def _measure(self, session: Session, places: Sequence[tuple[float, float]]) -> None:
        """One solve for each way of which nothing is known yet, at the worst place it fits."""
        assert self._library is not None
        tilt = largest_change(session)
        for way in ways_of(session):
            if way in self._library.known:
                continue
            for x, y in places[:2]:
                if way.kind == "push" and not session.work.reaches(x, y):
                    continue
                here = height_at(session, x, y)
                goal = round(here + way.sign * min(0.4 * tilt, 0.15), 4)
                self._solve(session, Operation(way.kind, way.tool, x, y, goal, way.angle_deg))
                if way in self._library.known:
                    break


def largest_change(session: Session) -> float:
    """Largest change at a place that fine work tries, mm."""
    row = session.now.row
    return float(np.clip(1.5 * max(-row.max_low_mm, row.max_high_mm), 0.1, 1.0))


def operation_of(session: Session, pool: Pool, candidate: int, change_mm: float) -> Operation:
    """The operation of a candidate with its change."""
    way, x, y = pool.ways[candidate], pool.x_mm[candidate], pool.y_mm[candidate]
    goal = height_at(session, float(x), float(y)) + change_mm
    return Operation(way.kind, way.tool, float(x), float(y), round(goal, 4), way.angle_deg)


