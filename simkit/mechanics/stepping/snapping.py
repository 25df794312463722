"""Snapping: the sheet runs downhill to its next equilibrium, and what that costs is booked."""

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
"""Stages of one snap at most, failed ones included."""
MOST_FAILURES = 12
"""Failures in a row at which a snap is given up."""
REST_MOTION_MM = 1e-4
"""Motion in a stage below which the sheet may have come to rest."""
WIDE_MM, WIDEST_MM = 20.0, 1e4
"""Lengths L whose bending stiffness D / L^4 is the drag to begin with and the least that counts."""
FIRST_MM, LONGEST_MM = 0.05, 5.0
"""Motion aimed at in a stage: at first, and at most."""
EASY_MOTION_FACTOR, HARD_MOTION_FACTOR, TOO_LONG = 1.7, 0.7, 0.4
"""Factors of that motion: after an easy stage, a hard one, one that failed or went too far."""
EASY_ITERATIONS, HARD_ITERATIONS = 6, 9
"""Iterations of an easy and of a hard stage."""
SLOW_MOTION_MM = 0.05
"""Motion in a stage below which what a loose equilibrium leaves over could hold the sheet."""
LARGEST_DRAG_CHANGE = 10.0
"""Factor by which the drag changes at most from one stage to the next."""
TRAPEZOID_ERROR_SHARE = 0.01
"""Share of a stage's energy that the trapezoid may miss; beyond it the stage went too far."""


@dataclass(frozen=True)
class _OutOfEquilibrium:
    """Force that drives the sheet on (equations), N, where a stage begins."""

    point: Equilibrium
    force: Array


def snap_through(process: Process, point: Equilibrium, tool: Engagement | None,
           travel: float) -> Equilibrium | None:
    """Let the sheet snap: run downhill against a drag that is taken away step by step.

    The path is that of a strongly damped sheet, in stages that move about as far as can be found
    and booked in few iterations. The equilibrium returned is stable and without drag;
    its books hold the tool's work and the energy that the drag took, both by the trapezoid. None
    where no such equilibrium is found.
    """
    model = process.model
    bending = model.sheet.E_MPa * model.thickness_mm**3 / 10.9
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
        # the sheet goes on about as fast as it went: its speed is the motion times the drag
        rate *= float(np.clip(farthest / aim, 1.0 / LARGEST_DRAG_CHANGE, LARGEST_DRAG_CHANGE))
    return None


def _missed(before: Equilibrium, after: Equilibrium) -> float:
    """Share of a stage's energy that the trapezoid of the sheet's forces misses."""
    moved = after.state.displacement - before.state.displacement
    taken = after.internal.energy - before.internal.energy
    shown = 0.5 * work_of(before.internal.force + after.internal.force, moved)
    turned = (abs(after.internal.stored - before.internal.stored)
              + after.internal.plastic_work - before.internal.plastic_work
              + abs(after.work - before.work))
    return abs(taken - shown) / max(turned, 1e-9)


def _driven(process: Process, point: Equilibrium, tool: Engagement | None,
            travel: float) -> _OutOfEquilibrium | None:
    """What drives the sheet on as the tool reaches a travel and nothing has moved yet."""
    system = SheetSystem(process.model, point.state, tool, travel)
    residual = system.evaluate(point.x, False)
    if residual is None or system.tool_nodal is None:
        return None
    return _OutOfEquilibrium(replace(point, tool_nodal=system.tool_nodal),
                      -residual[: process.model.layout.count])


def _with_loss(before: _OutOfEquilibrium, after: Equilibrium, left: Array) -> Equilibrium:
    """An equilibrium with what its stage lost: the work of the residual force, from what
    drove the sheet at the stage's begin to what is ``left`` at its end."""
    moved = after.x[: left.size] - before.point.x[: left.size]
    lost = 0.5 * work_of(before.force + left, moved)
    return replace(after, drag=before.point.drag + lost)
