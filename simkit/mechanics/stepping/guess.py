"""First guesses for Newton's method: the displacements at the next travel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, TipContact
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.system import SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent, work_of

Array = NDArray[np.float64]
FIRST_TOUCH_TRAVEL_SHARE = 0.1
"""Share of the first increment's travel at which the contact force distribution is taken."""


def guess_ahead(process: Process, now: Equilibrium, before: Equilibrium, tool: Engagement,
                travel: float) -> Array:
    """First guess at a travel.

    Where the rate dx/dtravel is known, a parabola through the present and the last equilibrium with
    this rate; else linear extrapolation of the last increment, by at most twice its length.
    """
    made, wanted = now.travel - before.travel, travel - now.travel
    if made <= 0.0:
        if now.rate is None and isinstance(tool, TipContact):
            return first_touch(process, now, tool, travel)
        return now.x if now.rate is None else now.x + wanted * now.rate
    if now.rate is None:
        return now.x + min(wanted / made, 2.0) * (now.x - before.x)
    bend = (before.x - now.x + made * now.rate) / made**2
    return now.x + wanted * now.rate + min(wanted, 2.0 * made) ** 2 * bend


def first_touch(process: Process, rest: Equilibrium, tip: Engagement, travel: float) -> Array:
    """First guess for a sheet that a tip just touches.

    The linear response to the contact forces of a small penetration, scaled so that its mean
    displacement, weighted by these forces, is the travel. Without it Newton's method would start
    with the penalty forces of the whole travel.
    """
    model = process.model
    system = SheetSystem(model, rest.state, None, 0.0)
    residual = system.evaluate(rest.x, True)
    x = model.patch.control + rest.state.displacement
    push = np.zeros_like(x)
    tip.add(model, x, np.empty(0), FIRST_TOUCH_TRAVEL_SHARE * travel, push, np.empty(1), False)
    along = -float((push @ tip.direction).sum())
    if residual is None or along <= 0.0:
        return rest.x
    load = model.layout.gather(-push)
    try:
        system.correction(residual)
        moved = -system.solve(load)
    except SingularTangent:
        return rest.x
    work = work_of(load, moved)
    return rest.x + (travel * along / work) * moved if work > 0.0 else rest.x
