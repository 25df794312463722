"""Choice among the computed candidates, and the sentence that gives the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.files import exact
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.spoken import say_operation
from simkit.repair.stages import excess
from simkit.strategy.planner.joint import STEP_SHARE
from simkit.strategy.planner.pool import usual_minutes

LEAST_MERIT = 1e-3
"""Smallest share of the deviation that counts."""
PLAN_WEIGHT = 0.5
"""Weight of the steps of a plan; with 1 its errors decide (decision 27)."""
UNREACHED_STEPS = 100.0
"""Number of steps assumed where no plan reaches the limits."""


Done = tuple[Operation, Session]
"""An operation and the panel after it."""


@dataclass(frozen=True)
class Choice:
    """A candidate that was computed with the mechanics.

    merit, later : remaining deviation after it, and after the best following step or plan, over
    that before it; second : the following step, if computed; togo : number of steps of the plan
    after it, None if there is none or if it does not reach the limits; cost : cost of that plan and
    of the usual steps for what it leaves, in steps or minutes; None if there is none. then : the
    passes that follow it in a whole plan, which may help only together; merit, later, togo and cost
    then count from the last of them.
    """

    operation: Operation
    after: Session
    merit: float
    later: float
    second: Operation | None = None
    togo: int | None = None
    cost: float | None = None
    then: tuple[Done, ...] = ()

    @property
    def end(self) -> Session:
        """The panel after it and the passes that follow it."""
        return self.then[-1][1] if self.then else self.after

    @property
    def excess(self) -> float:
        """Largest excess over the limits after it, as computed."""
        return excess(self.after.work.case.goal, self.after.now.row)


@dataclass(frozen=True)
class Decision:
    """The next step and the reason for it; excesses come from complete computations.

    second : the second best candidate, a single touch if there is one; second_excess : the excess
    after it; fallback : the best that is not a pull, in case the tab comes off.
    """

    step: int
    operation: Operation
    excess_before: float
    excess_after: float
    second: Operation | None
    second_excess: float | None
    fallback: Operation | None
    solved: int
    why: str


COLUMNS = ("step", "operation", "tool", "x_mm", "y_mm", "goal_mm", "angle_deg", "excess_before",
           "excess_after", "second_operation", "second_tool", "second_x_mm", "second_y_mm",
           "second_goal_mm", "second_angle_deg", "second_excess", "solved", "why", "spread",
           "second_spread", "said", "second_said")
"""Columns of plan.csv; an excess is the largest of height over tolerance and slope over limit;
said: the whole operation in the words of `simkit try`."""


def ranked(session: Session, choices: Sequence[Choice], objective: str) -> list[Choice]:
    """The choices sorted by the objective, the best first."""
    return sorted(choices, key=lambda choice: _score(session, choice, choices, objective))


def decide(session: Session, choices: Sequence[Choice]) -> Decision | None:
    """The first of the choices (`ranked`) with its reason; None if there is none."""
    if not choices:
        return None
    best, *rest = choices
    second = rest[0] if rest else None
    tabs = {tab.name for tab in session.work.tabs}
    fallback = next((choice for choice in rest if not _by_glue(choice.operation, tabs)), None)
    if not _by_glue(best.operation, tabs):
        fallback = None
    before = excess(session.work.case.goal, session.now.row)
    return Decision(
        session.now.row.step + 1, best.operation, before, best.excess,
        second.operation if second else None, second.excess if second else None,
        fallback.operation if fallback else None, len(choices),
        _sentence(before, best, second, fallback, choices))


def _by_glue(operation: Operation, tabs: set[str]) -> bool:
    """Whether a tab can come off: a hold may also be by a tip from behind."""
    return operation.kind == "pull" or (operation.kind == "hold" and operation.tool in tabs)


def _score(session: Session, choice: Choice, choices: Sequence[Choice], objective: str) -> float:
    """Value of a choice for the objective; the smallest is the best."""
    if choice.after.now.row.flat:
        # Flat at once comes before every plan; among these the fewest minutes.
        return -1e9 + choice.after.now.row.minutes
    if objective == "minutes":
        spent = sum(after.now.row.minutes for _, after in ((choice.operation, choice.after),
                                                           *choice.then))
        usual = usual_minutes(session.work.minutes)
        return spent + usual * _ahead(choice, usual)
    if objective == "stretch":
        # Least stretch among the plans at most one step longer than the shortest.
        least = min(_steps_ahead(one) for one in choices)
        grown = choice.end.now.row.stretch_mm2 - session.now.row.stretch_mm2
        return grown if _steps_ahead(choice) <= least + 1.0 else 1e6 + _steps_ahead(choice)
    return _steps_ahead(choice)


def _steps_ahead(choice: Choice) -> float:
    """Measure of the steps left after a choice: those of its plan by their weight, further touches
    of passes by their share, less the usual steps that would leave as little as this one."""
    return (0 if choice.cost is None else len(choice.then)) + _ahead(choice, 1.0)


def _ahead(choice: Choice, usual: float) -> float:
    """Usual steps after a choice with the passes that follow it; usual : cost of one."""
    if choice.cost is None:  # no plan reaches the limits
        return UNREACHED_STEPS + choice.merit + choice.later
    saved = np.log(max(choice.merit, LEAST_MERIT)) / np.log(STEP_SHARE)
    return PLAN_WEIGHT * choice.cost / usual - float(saved)


def words_of(operation: Operation) -> str:
    """Short description of an operation."""
    kind = operation.kind
    if operation.is_pass:
        kind = f"pass ({kind}, {len(operation.places())} places)"
    if kind == "let-down":
        return f"{kind} {operation.tool}".strip()
    end = (f"with {operation.force_N:.0f} N" if kind == "hold" and operation.force_N is not None
           else f"to {operation.goal_mm:+.2f} mm")
    return f"{kind} {operation.tool} at ({operation.x_mm:.0f}, {operation.y_mm:.0f}) {end}"


def _sentence(before: float, best: Choice, second: Choice | None, fallback: Choice | None,
              choices: Sequence[Choice]) -> str:
    text = (f"{words_of(best.operation)} takes the largest excess from {before:.2f} to "
            f"{best.excess:.2f} times the limits")
    if best.second is not None:
        text += f", with {words_of(best.second)} after it"
    if best.then:
        text += (f" as the first of {len(best.then) + 1} steps of one plan that leaves "
                 f"{excess(best.end.work.case.goal, best.end.now.row):.2f} by quick computations")
    if second is not None:
        text += (f"; {_named(best, second)}, {words_of(second.operation)}, would leave "
                 f"{second.excess:.2f}")
        if second.excess < best.excess:
            text += " but is worse together with the step after it"
    if best.operation.kind != "tap-down" and best.operation.goal_mm > 0.02:
        flush = [c for c in choices if c.operation.kind == best.operation.kind
                 and c.operation.tool == best.operation.tool and abs(c.operation.goal_mm) < 0.02]
        if flush:
            text += (f"; past flush, because by quick computations flush and a step after it would "
                     f"leave {flush[0].later:.3f} of the present deviation, this {best.later:.3f}")
    if fallback is not None:
        text += f"; if the tab comes off: {words_of(fallback.operation)}"
    return text + "."


def _named(best: Choice, second: Choice) -> str:
    if second.operation.is_pass:
        return "the second best"
    return ("the best single touch" if best.operation.is_pass
            else "the second best single touch")


def plan_row(decision: Decision) -> dict[str, str]:
    """The decision as a row of plan.csv."""
    op, second = decision.operation, decision.second
    row = {"step": str(decision.step), "operation": op.kind, "tool": op.tool,
           "x_mm": exact(op.x_mm), "y_mm": exact(op.y_mm), "goal_mm": exact(op.goal_mm),
           "angle_deg": exact(op.angle_deg), "excess_before": exact(decision.excess_before),
           "excess_after": exact(decision.excess_after), "solved": str(decision.solved),
           "why": decision.why, "spread": _spread_of(op), "said": say_operation(op)}
    if second is not None:
        row |= {"second_operation": second.kind, "second_tool": second.tool,
                "second_x_mm": exact(second.x_mm), "second_y_mm": exact(second.y_mm),
                "second_goal_mm": exact(second.goal_mm),
                "second_angle_deg": exact(second.angle_deg),
                "second_excess": exact(decision.second_excess),
                "second_spread": _spread_of(second), "second_said": say_operation(second)}
    return row


def _spread_of(operation: Operation) -> str:
    """Length, width, spacing (mm) and rounds of a pass along a line or over an area, or empty."""
    pass_ = operation.spread
    return "" if pass_ is None else (
        f"{pass_.length_mm!r}x{pass_.width_mm!r}/{pass_.spacing_mm!r}*{pass_.rounds}")
