"""Snapping: the sheet runs downhill to its next balance, and what that costs is booked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping.process import Moment, Process
from simkit.mechanics.stepping.system import Drag, SheetSystem
from simkit.solve.nonlinear.newton import work_of

Array = NDArray[np.float64]
STAGES = 400
"""Stages of one snap at most, failed ones included."""
FAILURES = 12
"""Failures in a row at which a snap is given up."""
STILL_MM = 1e-4
"""Motion in a stage below which the sheet may have come to rest."""
WIDE_MM, WIDEST_MM = 20.0, 1e4
"""Lengths L whose bending stiffness D / L^4 is the drag to begin with and the least that counts."""
HARDER, TOO_FAR, EASIER, GENTLER = 8.0, 3.0, 0.25, 0.6
"""Factors of the drag: after a failure, after a stage that went too far, after an easy stage, after
an easy one soon after a failure."""
EASY = 6
"""Iterations of an easy stage."""
SOON = 6
"""Stages for which a failure is remembered."""
MISSED = 0.01
"""Share of a stage's energy that the trapezoid may miss; beyond it the stage went too far."""


@dataclass(frozen=True)
class _Unbalance:
    """Force that drives the sheet on (equations), N, where a stage begins."""

    moment: Moment
    force: Array


def settle(process: Process, moment: Moment, tool: Engagement | None,
           travel: float) -> Moment | None:
    """Let the sheet snap: run downhill against a drag that is taken away step by step.

    The path is that of a strongly damped sheet. The balance returned is stable and without drag;
    its books hold the tool's work and the energy that the drag took, both by the trapezoid. None
    where no such balance is found.
    """
    model = process.model
    bending = model.sheet.E_MPa * model.thickness_mm**3 / 10.9
    rate, smallest = bending / WIDE_MM**4, bending / WIDEST_MM**4
    count = model.layout.count
    now = _driven(process, moment, tool, travel)
    if now is None:
        return None
    fails, gentle = 0, 0
    for _ in range(STAGES):
        drag = Drag(rate, now.moment.x[:count])
        after = process.balance(now.moment, tool, travel, now.moment.x, drag, ends=True)
        if after is None or _missed(now.moment, after) > MISSED:
            fails, gentle = fails + 1, SOON
            rate *= HARDER if after is None else TOO_FAR
            if fails > FAILURES:
                return None
            continue
        fails, gentle = 0, gentle - 1
        moved = after.x[:count] - now.moment.x[:count]
        held = rate * SheetSystem(model, after.state, None, 0.0).weights() * moved
        now = _Unbalance(_with_loss(now, after, held), held)
        if float(np.abs(moved).max()) < STILL_MM:
            final = process.balance(now.moment, tool, travel, now.moment.x, ends=True)
            if final is not None and not final.negative:
                final = _with_loss(now, final, np.zeros(count))
                return replace(final, snaps=moment.snaps + 1)
            if rate <= smallest:
                return None
        if after.iterations <= EASY:
            rate *= GENTLER if gentle > 0 else EASIER
    return None


def _missed(before: Moment, after: Moment) -> float:
    """Share of a stage's energy that the trapezoid of the sheet's forces misses."""
    moved = after.state.displacement - before.state.displacement
    taken = after.internal.energy - before.internal.energy
    shown = 0.5 * work_of(before.internal.force + after.internal.force, moved)
    turned = (abs(after.internal.stored - before.internal.stored)
              + after.internal.plastic_work - before.internal.plastic_work
              + abs(after.work - before.work))
    return abs(taken - shown) / max(turned, 1e-9)


def _driven(process: Process, moment: Moment, tool: Engagement | None,
            travel: float) -> _Unbalance | None:
    """What drives the sheet on as the tool reaches a travel and nothing has moved yet."""
    system = SheetSystem(process.model, moment.state, tool, travel)
    residual = system.evaluate(moment.x, False)
    if residual is None or system.tool_nodal is None:
        return None
    return _Unbalance(replace(moment, tool_nodal=system.tool_nodal),
                      -residual[: process.model.layout.count])


def _with_loss(before: _Unbalance, after: Moment, left: Array) -> Moment:
    """A balance with what its stage lost: the work of the force that was not in balance, from what
    drove the sheet at the stage's begin to what is ``left`` at its end."""
    moved = after.x[: left.size] - before.moment.x[: left.size]
    lost = 0.5 * work_of(before.force + left, moved)
    return replace(after, drag=before.moment.drag + lost)
