"""Damped snap-through: the sheet moves to its next stable equilibrium, and the loss is computed.

Inertia is not modelled. The energy that a real sheet would lose by vibration is lost here in a
drag, a resistance against the motion, which is reduced to zero in stages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.system import Drag, SheetSystem
from simkit.solve.nonlinear.newton import work_of
from simkit.underway import beat

Array = NDArray[np.float64]
MOST_SNAP_STAGES = 400
"""Largest number of stages of one snap, including failed ones."""
MOST_FAILURES = 12
"""Failures in succession after which a snap is given up."""
REST_MOTION_MM = 1e-4
"""Motion in a stage below which the sheet may be at rest."""
WIDE_MM, WIDEST_MM = 20.0, 1e4
"""Lengths L whose bending stiffness D / L^4 is the first drag and the smallest one."""
FIRST_MM, LONGEST_MM = 0.05, 5.0
"""Desired motion in a stage: first value, and largest."""
EASY_MOTION_FACTOR, HARD_MOTION_FACTOR, TOO_LONG = 1.7, 0.7, 0.4
"""Factors of the desired motion after a stage with few iterations, with many, and after a failure.
"""
EASY_ITERATIONS, HARD_ITERATIONS = 6, 9
"""Numbers of iterations that count as few and as many."""
SLOW_MOTION_MM = 0.05
"""Motion in a stage below which the tighter tolerance is used: the residual of the looser one could
be as large as the force that drives the sheet."""
LARGEST_DRAG_CHANGE = 10.0
"""Largest factor by which the drag changes from one stage to the next."""
TRAPEZOID_ERROR_SHARE = 0.01
"""Largest error of the trapezoidal rule, over a stage's energy; above it the stage is too long."""


@dataclass(frozen=True)
class _OutOfEquilibrium:
    """Beginning of a stage: the sheet, and the force (equations), N, that drives it."""

    point: Equilibrium
    force: Array


def snap_through(process: Process, point: Equilibrium, tool: Engagement | None,
           travel: float) -> Equilibrium | None:
    """Let the sheet snap: follow its motion against a drag that is reduced to zero.

    The path is that of a strongly damped sheet. The stages are as long as Newton's method converges
    in few iterations and the trapezoidal rule is accurate. The equilibrium returned is stable and
    without drag; its ``work`` and ``drag`` include the tool's work and the energy lost in the drag,
    both by the trapezoidal rule. Returns None if no such equilibrium is found.
    """
    model = process.model
    bending = model.sheet.E_MPa * model.thickness_mm**3 / 10.9  # D with nu = 0.3: 12 (1 - nu^2)
    rate, smallest = bending / WIDE_MM**4, bending / WIDEST_MM**4
    count = model.layout.count
    now = _driven(process, point, tool, travel)
    if now is None:
        return None
    aim, farthest, fails = FIRST_MM, 0.0, 0
    for stage in range(MOST_SNAP_STAGES):
        beat(f"the sheet snaps, stage {stage}")
        drag = Drag(rate, now.point.x[:count])
        after = process.equilibrium(now.point, tool, travel, now.point.x, drag,
                                ends=farthest < SLOW_MOTION_MM)
        if after is None or _missed(now.point, after) > TRAPEZOID_ERROR_SHARE:
            fails += 1
            if fails > MOST_FAILURES:
                return None
            aim, rate = aim * TOO_LONG, rate / TOO_LONG
            continue
        fails = 0
        moved = after.x[:count] - now.point.x[:count]
        held = rate * SheetSystem(model, after.state, None, 0.0).weights() * moved
        now = _OutOfEquilibrium(_with_loss(now, after, held), held)
        farthest = float(np.abs(moved).max())
        if farthest < REST_MOTION_MM:
            final = process.equilibrium(now.point, tool, travel, now.point.x, ends=True)
            if final is not None and not final.negative:
                final = _with_loss(now, final, np.zeros(count))
                return replace(final, snaps=point.snaps + 1)
            if rate <= smallest:
                return None
        if after.iterations <= EASY_ITERATIONS:
            aim = min(aim * EASY_MOTION_FACTOR, LONGEST_MM)
        elif after.iterations >= HARD_ITERATIONS:
            aim *= HARD_MOTION_FACTOR
        # the driving force, drag times motion, changes little from one stage to the next
        rate *= float(np.clip(farthest / aim, 1.0 / LARGEST_DRAG_CHANGE, LARGEST_DRAG_CHANGE))
    return None


def _missed(before: Equilibrium, after: Equilibrium) -> float:
    """Error of the trapezoidal rule for the work of the internal forces, over a stage's energy."""
    moved = after.state.displacement - before.state.displacement
    taken = after.internal.energy - before.internal.energy
    shown = 0.5 * work_of(before.internal.force + after.internal.force, moved)
    turned = (abs(after.internal.stored - before.internal.stored)
              + after.internal.plastic_work - before.internal.plastic_work
              + abs(after.work - before.work))
    return abs(taken - shown) / max(turned, 1e-9)


def _driven(process: Process, point: Equilibrium, tool: Engagement | None,
            travel: float) -> _OutOfEquilibrium | None:
    """The force that drives the sheet when the tool is at a travel and the sheet has not moved."""
    system = SheetSystem(process.model, point.state, tool, travel)
    residual = system.evaluate(point.x, False)
    if residual is None or system.tool_nodal is None:
        return None
    return _OutOfEquilibrium(replace(point, tool_nodal=system.tool_nodal),
                      -residual[: process.model.layout.count])


def _with_loss(before: _OutOfEquilibrium, after: Equilibrium, left: Array) -> Equilibrium:
    """An equilibrium with the energy lost in its stage added to ``drag``.

    The loss is the work of the driving force, from its value at the beginning to ``left`` at the
    end, by the trapezoidal rule.
    """
    moved = after.x[: left.size] - before.point.x[: left.size]
    lost = 0.5 * work_of(before.force + left, moved)
    return replace(after, drag=before.point.drag + lost)
