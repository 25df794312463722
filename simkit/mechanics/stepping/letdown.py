"""Standing loads fade to nothing."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from simkit.mechanics.contact.engagement import DeadForce, Reading
from simkit.mechanics.model import nodal_of
from simkit.mechanics.standing import Standing
from simkit.mechanics.stepping.process import Moment, Process
from simkit.mechanics.stepping.release import let_go


def fade_standing(process: Process, moment: Moment, gone: Collection[Standing]) -> Moment | None:
    """Let standing loads fade together, from a balance without a tool; None if none is found.

    The force that each now has on the sheet becomes a dead force, and fades as a tool's does.
    """
    if not gone:
        return moment
    model, state = process.model, moment.state
    nodal = nodal_of(model, state, gone)
    without = replace(state, standing=tuple(
        held for held in state.standing if all(held is not one for one in gone)))
    internal = model.internal(state.displacement, without, False)
    if internal is None:
        return None
    fading = DeadForce(nodal)
    process.peak_nodal = max(process.peak_nodal, float(np.linalg.norm(nodal)))
    reading = Reading(float(nodal.sum(axis=0) @ fading.direction), np.empty(0))
    start = Moment(moment.x[: model.layout.count], without, internal, nodal, reading, 0.0)
    return let_go(process, start, fading)
