"""Where the sheet may be at the next travel: first guesses for the equilibrium there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, TipContact
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.system import SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent, work_of

Array = NDArray[np.float64]
FIRST_TOUCH_TRAVEL_SHARE = 0.1
"""Share of its first travel at which a tip touches only the middle of where it goes in."""


def guess_ahead(process: Process, now: Equilibrium, before: Equilibrium, tool: Engagement,
                travel: float) -> Array:
    """First guess at a travel: on along the rate where it is known, bent as the last increment
    was; else on along the last chord."""
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
    """First guess at a sheet that a tip has just met: it yields under a force in the middle of
    where the tip would go in, by as much as the tip has travelled. Without it Newton starts from
    the penalty of the whole travel."""
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
