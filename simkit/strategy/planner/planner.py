"""The planner: a search for the next step, with the reason for it.

While the dent is deep, it computes sequences of two steps (`deep`). After the main lift it makes a
joint plan of few operations by adding influence fields (`joint`), computes the most important ones
with the mechanics (`refine`), and takes the one after which a new plan is shortest. If the hand has
no error and the bulk is out, the rest of the repair is computed in this way before its first step
and compared with the fixed strategies (`course`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from simkit.repair.levels import steps_taken
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import meets
from simkit.repair.trials import remember
from simkit.strategy.builtin import WorstSpotFirst
from simkit.strategy.choice import DEEP_MM, Strategy, done_at_all, tried_out
from simkit.strategy.finishing import last_touch
from simkit.strategy.planner.candidates import pushed
from simkit.strategy.planner.course import (
    Course,
    Leg,
    Step,
    best_course,
    leg_of,
    next_leg,
    same_panel,
)
from simkit.strategy.planner.deep import BULKY_MM, lift
from simkit.strategy.planner.lacking import lacking
from simkit.strategy.planner.mind import ADDABLE_MM, Mind, deepest_mm
from simkit.strategy.planner.refine import plan_from, refine
from simkit.strategy.planner.words import Choice, Decision, Done, decide, ranked, words_of
from simkit.strategy.tension import let_down_of

SOON = 3
"""A lift that leaves a plan of so few steps is taken without a look at added influence fields."""
WORST_FIRST = WorstSpotFirst()
"""The strategy that is used if the search finds nothing."""


@dataclass
class Planner:
    """Search for the fewest steps (or minutes, or least stretch) to the goal.

    ``objective``: steps, minutes or stretch. Steps beyond the minutes of the case's limits are not
    taken. ``floor``: fixed strategies than which it is not worse if the hand has no error. The
    planner keeps what it learned, the reason of its choice (``decision``) and the number of steps
    of its plan (``plan_length``, None if the plan does not reach the limits); one planner is
    therefore used for one repair. ``lack``: what the kit lacks if the planner stops before its
    goal; ``say``: function for progress messages.
    """

    objective: str = "steps"
    name: str = "planner"
    floor: Sequence[Strategy] = ()
    decision: Decision | None = None
    plan_length: int | None = None
    lack: str = ""
    mind: Mind = field(default_factory=Mind, repr=False)
    say: Callable[[str], None] | None = field(default=None, repr=False)
    _course: Course | None = field(default=None, repr=False)
    _rest: tuple[Session, tuple[Done, ...]] | None = field(default=None, repr=False)

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`; the reason is in ``decision``."""
        self.decision = None
        if session.now.row.flat:
            return None
        exact = session.work.case.hand.exact
        if not exact or deepest_mm(session) > BULKY_MM:
            leg = self.step(session)
        else:
            leg = None if self._course is None else self._course.leg_at(session)
            if leg is None and not (self._course and self._course.ends_at(session)):
                self._course = best_course(session, self.step, self.floor, self.objective,
                                           self.ahead, self.say, self._outside(session),
                                           self._by_steps())
                leg = self._course.leg_at(session)
        if leg is None and exact and not self.lack:
            self.lack = lacking(session, self.mind)
        if leg is not None and leg.after.now.result is not None:
            remember(session.work, session.state, leg.operation, leg.after.now.result)
        self.decision = None if leg is None else leg.decision
        return None if leg is None else leg.operation

    def step(self, session: Session) -> Leg | None:
        """The next step by the planner's own search; a last touch that meets the next stage, if
        the search found none; if it finds nothing at all, the step of worst-spot-first."""
        leg = self._gone_on(session)
        if leg is None and session.state.standing:
            return _leg_of(session, let_down_of(session), "the end of the hold")
        leg = leg or self._searched(session)
        if leg is None or not meets(session.work.case.goal, session.stage_ahead,
                                    leg.after.now.row):
            touch = last_touch(session)
            ends = None if touch is None else _leg_of(session, touch, "a last touch")
            if ends is not None and _allowed(ends.after):
                self.plan_length = 0
                return ends
        if leg is None:
            leg = next_leg(session, WORST_FIRST)
        return leg if leg is not None and _allowed(leg.after) else None

    def _searched(self, session: Session) -> Leg | None:
        """The next step by the planner's own search; None if that finds none."""
        for choices in self._searches(session):
            sure = self._confirmed(session, self._within(session, choices))
            decision = decide(session, sure)
            if decision is not None:
                self.plan_length = sure[0].togo
                self._rest = sure[0].after, sure[0].then
                return Leg(session, decision.operation, decision, sure[0].after)
        self.plan_length = None
        return None

    def _searches(self, session: Session) -> Iterator[list[Choice]]:
        """The candidates of one search after the other."""
        deepest = deepest_mm(session)
        if deepest > DEEP_MM:
            lifts = lift(session, self.mind, self.objective)
            if deepest <= ADDABLE_MM and all(
                    one.togo is None or one.togo > SOON for one in lifts):
                with self.mind.adding_up_to(ADDABLE_MM):
                    yield lifts + refine(session, self.mind, self.objective)
                return
            yield lifts
        yield refine(session, self.mind, self.objective)

    def _gone_on(self, session: Session) -> Leg | None:
        """The next pass of the whole plan that was begun; None if there is none, or if the panel is
        not the one after the pass before it."""
        before, passes = self._rest or (session, ())
        self._rest = None
        # what was planned under a hold is done, whatever the hand made of the step before it
        if not passes or not (same_panel(before, session) or session.state.standing):
            return None
        operation = passes[0][0]
        leg = _leg_of(session, operation, "the next step of the plan")
        if leg is None or not _allowed(leg.after):
            return None
        self._rest = leg.after, passes[1:]
        self.plan_length = None if self.plan_length is None else max(self.plan_length - 1, 0)
        return leg

    def _within(self, session: Session, choices: list[Choice]) -> list[Choice]:
        """The choices within the allowed steps and minutes, with all passes of a whole plan."""
        return [choice for choice in choices if _allowed(choice.end)]

    def _outside(self, session: Session) -> Step | None:
        """A second search, without pushes, if it would save the minutes of the access."""
        work = session.work
        if (self.objective != "minutes" or not (work.tabs and work.tips and work.minutes["access"])
                or pushed(session)):
            return None
        return Planner(self.objective, mind=Mind.taught_by(self.mind)).step

    def _by_steps(self) -> Step | None:
        """A second search, for the fewest steps, if few minutes are wanted."""
        return Planner(mind=self.mind).step if self.objective == "minutes" else None

    def ahead(self, session: Session) -> float:
        """Number of steps of a joint plan from the known influence fields; 0 if unknown."""
        if (deepest_mm(session) > DEEP_MM or self.mind.library is None
                or session.state.standing):
            return 0.0
        pool, plan = plan_from(session, self.mind)
        return float(pool.cost_of(plan.candidates)[0]) if plan.complete else 0.0

    def _confirmed(self, session: Session, choices: list[Choice]) -> list[Choice]:
        """The best choice and the best single touch besides, both computed completely; the others
        follow unchanged.

        A pass consists of many touches, so a second pass is not computed completely.
        """
        sure: list[Choice] = []
        order = ranked(session, choices, self.objective)
        while order and len(sure) < 2:
            single = [one for one in order if not one.operation.is_pass]
            choice = (single or order)[0] if sure else order[0]
            order.remove(choice)
            after = tried_out(session, choice.operation)
            if after is not None and done_at_all(after):
                sure.append(replace(choice, after=after))
        return sure + order if sure else []



def _leg_of(session: Session, operation: Operation, part: str) -> Leg | None:
    """A step that is taken for the part it has, with its reason as a whole sentence."""
    leg = leg_of(session, operation, f"{words_of(operation)}, {part},")
    return leg and replace(leg, decision=replace(leg.decision, why=f"{leg.decision.why}."))


def _allowed(session: Session) -> bool:
    """Whether the steps so far are no more, and have taken no more minutes, than is allowed."""
    limits = session.work.case.limits
    return steps_taken(session) <= limits.steps and (
        limits.minutes is None
        or sum(step.row.minutes for step in session.steps) <= limits.minutes)
