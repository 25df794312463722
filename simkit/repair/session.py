"""A repair session: apply, undo, branch; every step with its numbers. Sessions are immutable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simkit.inspection.crown import CrownRing, crown_ring
from simkit.inspection.sampling import probe_at
from simkit.inspection.spots import SampledField, Spot, find_spots
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.access import Way, need_way
from simkit.repair.notebook import session_html
from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.rigging import places_of
from simkit.repair.risks import risk_numbers
from simkit.repair.spoken import say_operation
from simkit.repair.stages import next_stage
from simkit.repair.steprow import StepRow, operation_numbers, shape_numbers
from simkit.repair.trials import carry_out
from simkit.repair.workpiece import Workpiece
from simkit.tool.times import operation_minutes


@dataclass(frozen=True)
class Step:
    """One step: its row, the deviation field and the state after it, the operation's result.

    ``state`` is None for earlier steps of a repair that was read back from disk.
    """

    row: StepRow
    field: SampledField
    state: State | None
    result: Advance | None = None


@dataclass(frozen=True)
class Session:
    """A panel under repair, with all steps so far.

    ``apply``, ``undo`` and ``branch`` return new sessions and leave this one unchanged, so that
    every session can be a branch point. ``matched`` False: the reconstructed dent does not agree
    with the measured one, and no step counts as flat.
    """

    work: Workpiece
    steps: tuple[Step, ...]
    ring: CrownRing | None
    minutes: Mapping[str, float] | None = None
    matched: bool = True

    @property
    def now(self) -> Step:
        """The last step."""
        return self.steps[-1]

    @property
    def state(self) -> State:
        """State after the last step."""
        assert self.now.state is not None
        return self.now.state

    def _repr_html_(self) -> str:
        """Display in notebooks: the steps and a picture of the deviation."""
        return session_html([step.row for step in self.steps], self.now.field,
                            self.work.case.title)

    @property
    def stage_ahead(self) -> str:
        """The next stage of fine work (see :func:`simkit.repair.stages.next_stage`)."""
        return next_stage(self.work.case.goal,
                          (step.row for step in self.steps if step.row.held_N == 0.0))

    def spots(self, tolerance_mm: float | None = None) -> tuple[Spot, ...]:
        """Present lows and highs, the largest first; default is the goal's tolerance."""
        return find_spots(self.now.field, tolerance_mm or self.work.case.goal.limits[0])

    def apply(self, operation: Operation, quick: bool = False) -> Session:
        """Compute one operation.

        A step that does not converge leaves the panel as it was. A step whose place is already
        beyond its goal does nothing, takes no minutes and does not count. ``quick``: for searches,
        without energy balance (see :func:`simkit.repair.operations.apply_operation`).

        Raises
        ------
        InputError : unknown kind or tool, no access from behind, tool off the panel.
        """
        result = (Advance(self.state, Outcome.NOTHING_HELD, "the hold before it failed", (),
                          touches=0) if self._failed_to_hold(operation)
                  else carry_out(self.work, self.state, operation, quick))
        probe = probe_at(self.work.model, operation.x_mm, operation.y_mm)
        before = probe.read(self.state.displacement)
        field = self.work.sampling.field(result.state)
        idle = result.outcome.idle
        way = Way() if idle else self._way(operation)
        change = not idle and operation.kind != "let-down" and (
            self._worked()[-1].tool != operation.tool)
        shape = shape_numbers(self.work, result.state, field, self.steps[0].field, self.ring)
        row = StepRow(
            step=self.now.row.step + 1, tool_change=change,
            minutes=0.0 if idle else
            self._minutes(operation, change, result.touches) + way.minutes,
            rod=way.rod, opening=way.opening, said=say_operation(operation),
            **operation_numbers(operation, result, before,
                                probe.read(result.state.displacement)), **shape,
            **risk_numbers(self.work, operation, result.state, self.now.field, field,
                           result.force_N, shape["max_face_strain"], result.outcome.value, quick))
        row = row if self.matched else unmatched(row)
        return replace(self, steps=(*self.steps, Step(row, field, result.state, result)))

    def pull(self, tool: str, x_mm: float, y_mm: float, to_mm: float = 0.0,
             angle_deg: float = 0.0) -> Session:
        """Glue a tab on, pull until the place is predicted at ``to_mm`` after release, release."""
        return self.apply(Operation("pull", tool, x_mm, y_mm, to_mm, angle_deg))

    def push(self, tool: str, x_mm: float, y_mm: float, to_mm: float = 0.0,
             angle_deg: float = 0.0) -> Session:
        """Push with a tip from behind until the place is predicted at ``to_mm`` after release."""
        return self.apply(Operation("push", tool, x_mm, y_mm, to_mm, angle_deg))

    def tap_down(self, tool: str, x_mm: float, y_mm: float, to_mm: float = 0.0,
                 angle_deg: float = 0.0) -> Session:
        """Tap with a tip from outside until the place is predicted at ``to_mm`` after release."""
        return self.apply(Operation("tap-down", tool, x_mm, y_mm, to_mm, angle_deg))

    def tap_pass(self, tool: str, x_mm: float, y_mm: float, spread: Spread,
                 force_N: float | None = None, to_mm: float = 0.0, angle_deg: float = 0.0
                 ) -> Session:
        """A pass of taps along a line or over an area, each to ``to_mm`` or to a force."""
        return self.apply(Operation("tap-down", tool, x_mm, y_mm, to_mm, angle_deg, force_N,
                                    spread=spread))

    def push_pass(self, tool: str, x_mm: float, y_mm: float, spread: Spread,
                  force_N: float | None = None, to_mm: float = 0.0, angle_deg: float = 0.0
                  ) -> Session:
        """A pass of pushes from behind, each to ``to_mm`` or to a force."""
        return self.apply(Operation("push", tool, x_mm, y_mm, to_mm, angle_deg, force_N,
                                    spread=spread))

    def hold(self, tool: str, x_mm: float, y_mm: float, force_N: float | None = None,
             to_mm: float = 0.0, way: str = "following",
             stiffness_N_per_mm: float = 0.0) -> Session:
        """Pull with a tab, or push with a tip from behind, and keep the tool there.

        With ``force_N`` at this force, else at the height ``to_mm`` under load. ``way``: see
        :mod:`simkit.mechanics.standing`.
        """
        return self.apply(Operation("hold", tool, x_mm, y_mm, to_mm, force_N=force_N, way=way,
                                    stiffness_N_per_mm=stiffness_N_per_mm))

    def let_down(self, name: str = "") -> Session:
        """Let down the tool held under a name; all tools without a name."""
        held = [one for one in self.state.standing if not name or one.name == name]
        at = (held[0].x_mm, held[0].y_mm) if held else (0.0, 0.0)
        return self.apply(Operation("let-down", name, *at))

    def _worked(self) -> list[StepRow]:
        """Rows of the dent and of the steps that did something."""
        return [step.row for step in self.steps
                if step.row.outcome not in Outcome.idle_words()]

    def _failed_to_hold(self, operation: Operation) -> bool:
        """Whether an operation lets down what an earlier hold was to hold but does not.

        In a list of operations made beforehand the let-down stands after its hold in any case.
        """
        if operation.kind != "let-down" or self.state.standing:
            return False
        turns = [row.operation for row in self._worked() if row.operation in ("hold", "let-down")]
        return turns[-1:] == ["hold"]

    def _minutes(self, operation: Operation, change: bool, touches: int) -> float:
        """Minutes of the next step: set-up with the first, access with the first push."""
        table = self.work.minutes if self.minutes is None else self.minutes
        spent = operation_minutes(operation.kind.replace("-", "_"), change, table,
                                  max(1, touches), len(places_of(self.work.case, operation)))
        done = [(row.operation, row.tool) for row in self._worked()[1:]]
        if not done:
            spent += table["set_up"]
        tips = self._from_behind()
        behind = [kind == "push" or (kind == "hold" and tool in tips)
                  for kind, tool in (*done, (operation.kind, operation.tool))]
        if behind[-1] and not any(behind[:-1]):
            spent += table["access"]
        return spent

    def _from_behind(self) -> set[str]:
        """Names of the tools that a hold presses from behind."""
        return ({tip.name for tip in self.work.tips}
                | {wedge.name for wedge in self.work.case.kit.wedges})

    def _way(self, operation: Operation) -> Way:
        """Access of a push to its place; minutes are zero if its opening is open already."""
        tips = self._from_behind()
        if any(wedge.name == operation.tool for wedge in self.work.case.kit.wedges):
            return Way()  # it goes in along the brace
        if operation.kind != "push" and not (operation.kind == "hold" and operation.tool in tips):
            return Way()
        way = need_way(self.work.case, operation.x_mm, operation.y_mm)
        used = any(step.row.opening == way.opening for step in self.steps)
        return replace(way, minutes=0.0) if used else way

    def undo(self, count: int = 1) -> Session:
        """The session ``count`` steps ago (at most back to the dent)."""
        return self.branch(max(0, len(self.steps) - 1 - count))

    def branch(self, step: int) -> Session:
        """A session that continues from an earlier step.

        Raises
        ------
        ValueError : no such step, or its state was not kept.
        """
        if not 0 <= step < len(self.steps) or self.steps[step].state is None:
            raise ValueError(f"no state at step {step}")
        return replace(self, steps=self.steps[: step + 1])


def open_session(work: Workpiece, state: State, minutes: Mapping[str, float] | None = None,
                 matched: bool = True) -> Session:
    """Step 0: the panel with its dent. ``minutes`` by operation; None for the case's table.

    ``matched``: whether the dent agrees with the measured one.
    """
    field = work.sampling.field(state)
    ring = first_ring(field, work.case.goal.limits[0])
    shape = shape_numbers(work, state, field, field, ring)
    row = StepRow(step=0, operation="dent", **shape,
                  **risk_numbers(work, None, state, field, field, 0.0, shape["max_face_strain"]))
    row = row if matched else unmatched(row)
    return Session(work, (Step(row, field, state),), ring, minutes, matched)


def unmatched(row: StepRow) -> StepRow:
    """The row of a panel that does not agree with the measured one: never flat, at no stage."""
    return replace(row, flat=False, stage="")


def first_ring(field: SampledField, tolerance_mm: float) -> CrownRing | None:
    """Crown round the deepest low; None without a low."""
    lows = [spot for spot in find_spots(field, tolerance_mm) if spot.kind == "low"]
    if not lows:
        return None
    ring = crown_ring(field, lows[0])
    return ring if ring is not None and np.isfinite(ring.height_mm) else None
