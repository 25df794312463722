"""Plan, do, measure, correct: a repair rehearsed on a panel whose true history is known.

One history of a dent is taken as the truth, for instance one of those that explain its depths. A
hand with errors carries the planned steps out on it. The plan is made without knowing the truth, on
the history that is most probable by the readings so far: five places, read before and after every
step. The same repair without readings shows what they are worth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.dent.points import GaugePoints
from simkit.errors import InputError
from simkit.history.plausible import Band
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.spoken import say_operation
from simkit.strategy import Strategy
from simkit.study.ensemble import Ensemble
from simkit.study.hand import LIFTED
from simkit.study.learn import deviations, told_places
from simkit.study.run import STUCK, carried_out, ending

Array = NDArray[np.float64]
FORETOLD = ("low_rise_mm", "max_low_mm", "max_high_mm")
"""Results of a step that are compared with their predictions."""
COLUMNS = ("readings", "step", "operation", "tool", "x_mm", "y_mm", "goal_mm", "reached_mm",
           "minutes", *(f"{name}{end}" for name in FORETOLD for end in (
               "", "_foretold", "_from", "_to")), "weight_of_the_true", "planned_on",
           "said")
SEED = 37
"""Stream of the errors of readings, apart from those of the hand."""


@dataclass(frozen=True)
class Rehearsed:
    """One step: what was planned and on which history, what it was foretold to do given the height
    that the hand reached, and what it did.

    unread : what would have been foretold for it without any readings; weights : of the histories
    after its readings; said : unexpected results of the readings.
    """

    operation: Operation
    planned_on: str
    foretold: dict[str, Band]
    unread: dict[str, Band]
    after: Session
    weights: tuple[float, ...]
    said: tuple[str, ...]


@dataclass(frozen=True)
class Rehearsal:
    """A rehearsed repair: its steps, the true panel at its end, how it ended, and whether readings
    were taken."""

    steps: tuple[Rehearsed, ...]
    truth: Session
    outcome: str
    read: bool = True

    def missed_mm(self, name: str = "low_rise_mm", unread: bool = False) -> float:
        """Root mean square of foretold minus actual result over the steps; 0 without steps.
        unread : of what would have been foretold for the same steps without readings."""
        off = [(one.unread if unread else one.foretold)[name].predicted_mm
               - getattr(one.after.now.row, name) for one in self.steps]
        return float(np.sqrt(np.mean(np.square(off)))) if off else 0.0

    def held(self, name: str = "low_rise_mm") -> int:
        """Number of steps whose result lay in its foretold band."""
        return sum(one.foretold[name].low_mm <= getattr(one.after.now.row, name)
                   <= one.foretold[name].high_mm for one in self.steps)


def rehearse(ensemble: Ensemble, truth: Session, fresh: Callable[[], Strategy], noise_mm: float,
             readings: bool = True, say: Callable[[str], None] = lambda text: None) -> Rehearsal:
    """Rehearse a repair of a true panel that is planned on the histories of an ensemble.

    Parameters
    ----------
    truth : the true panel; the errors of the hand are those of its case (``hand``).
    fresh : makes the strategy; a new one for each step, since the panel it plans on may change.
    noise_mm : standard error of a reading. readings : False plans without them.

    The heights that the hand reaches are known at the tool, with and without readings.
    """
    steps: list[Rehearsed] = []
    outcome = ending(truth)
    prior = [one.weight for one in ensemble.histories]
    while outcome is None:
        planned_on = max(ensemble.histories, key=lambda one: one.weight).words
        operation = ensemble.next(fresh())
        if operation is None:
            outcome = STUCK
            break
        after = carried_out(truth, operation)
        done = reached(operation, after)
        before, ensemble = ensemble, ensemble.apply(done)
        foretold, unread = (_from_here(one, truth, one.foretell(done, ensemble))
                            for one in (before, before.unread(prior)))
        if readings and Outcome(after.now.row.outcome).valid:
            ensemble = _observed(before, ensemble, (truth, after), noise_mm)
        steps.append(Rehearsed(operation, planned_on, foretold, unread, after,
                               tuple(one.weight for one in ensemble.histories), ensemble.said))
        truth = after
        row = after.now.row
        say(f"step {row.step}: {say_operation(done)}; middle up by {row.low_rise_mm:+.2f} mm, "
            f"foretold {foretold['low_rise_mm'].predicted_mm:+.2f} mm; "
            + ", ".join(f"{100 * one.weight:.0f} %" for one in ensemble.histories))
        outcome = ending(truth)
    return Rehearsal(tuple(steps), truth, outcome, readings)


def _from_here(ensemble: Ensemble, truth: Session, foretold: Mapping[str, Band]
               ) -> dict[str, Band]:
    """Predictions moved to the present panel as it is seen: what a step is expected to change is
    counted from there, not from the panel that the histories have by now."""
    moved = {}
    for name in FORETOLD:
        believed = sum(one.weight * getattr(one.session.now.row, name)
                       for one in ensemble.histories)
        off = getattr(truth.now.row, name) - believed
        told = foretold[name]
        moved[name] = Band(told.predicted_mm + off, told.low_mm + off, told.high_mm + off)
    return moved


def reached(operation: Operation, after: Session) -> Operation:
    """The operation with the height that was reached at its place; holds, passes and steps that end
    by another measure than the height are as planned."""
    by_height = operation.kind in LIFTED and not operation.is_pass and not (
        operation.energy_mJ or operation.travel_mm or operation.hammer)
    row = after.now.row
    return replace(operation, goal_mm=round(row.released_mm, 4)) if (
        by_height and Outcome(row.outcome).valid and np.isfinite(row.released_mm)) else operation


def _observed(before: Ensemble, after: Ensemble, real: tuple[Session, Session], noise_mm: float
              ) -> Ensemble:
    """The ensemble after readings of the true panel before and after a step, at the places that
    distinguish the histories best; as it was if the readings fit no history."""
    pairs = [(one.session, then.session) for one, then in
             zip(before.histories, after.histories, strict=True)]
    places, _ = told_places(pairs, [one.weight for one in after.histories], noise_mm)
    if not len(places):
        return after
    random = np.random.default_rng([real[0].work.case.seed, SEED, real[0].now.row.step])
    points = GaugePoints("", places, np.zeros(len(places)), np.arange(1, len(places) + 1))
    read = [deviations(one.now.field, points) + noise_mm * random.standard_normal(len(places))
            for one in real]
    try:
        return after.observe(np.column_stack([places, *read]), noise_mm)
    except InputError as error:
        return replace(after, said=(f"nothing learned: {error}",))


def rows_of(rehearsal: Rehearsal, readings: str, true: int | None) -> list[dict[str, str]]:
    """Rows of the table of a rehearsal; ``readings``: whether it had any, yes or no; ``true``:
    number of the true history, None if it is none of the ensemble's."""
    found = []
    for one in rehearsal.steps:
        row = one.after.now.row
        line = {"readings": readings, "step": str(row.step), "operation": row.operation,
                "tool": row.tool,
                "x_mm": f"{row.x_mm:g}", "y_mm": f"{row.y_mm:g}",
                "goal_mm": f"{one.operation.goal_mm:g}", "reached_mm": f"{row.released_mm:.6g}",
                "minutes": f"{row.minutes:g}", "planned_on": one.planned_on,
                "said": "; ".join(one.said),
                "weight_of_the_true": "" if true is None else f"{one.weights[true]:.6g}"}
        for name, told in one.foretold.items():
            line |= {name: f"{getattr(row, name):.6g}",
                     f"{name}_foretold": f"{told.predicted_mm:.6g}",
                     f"{name}_from": f"{told.low_mm:.6g}", f"{name}_to": f"{told.high_mm:.6g}"}
        found.append(line)
    return found


def compared(rehearsals: Sequence[tuple[str, Rehearsal]]) -> list[str]:
    """One line for each rehearsal: steps, minutes, what is left, how far predictions missed."""
    lines = []
    for name, one in rehearsals:
        row = one.truth.now.row
        minutes = sum(step.after.now.row.minutes for step in one.steps)
        lines.append(f"{name}: {len(one.steps)} steps, {minutes:.0f} minutes, {one.outcome}; left: "
                     f"low {row.max_low_mm:+.2f}, high {row.max_high_mm:+.2f} mm, "
                     f"{row.slope_mrad:.1f} mrad; predictions of the middle missed by "
                     f"{one.missed_mm():.3f} mm (root mean square"
                     + (f"; {one.missed_mm(unread=True):.3f} mm for the same steps without them)"
                        if one.read else ")"))
    return lines
