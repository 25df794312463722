"""Reduction of standing loads to zero."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from simkit.mechanics.contact.engagement import DeadForce, Reading
from simkit.mechanics.model import nodal_of
from simkit.mechanics.standing import Standing
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import Released, release_tool
from simkit.solve.nonlinear.newton import length


def fade_standing(process: Process, point: Equilibrium,
                  gone: Collection[Standing]) -> Released | None:
    """Reduce standing loads to zero together, from an equilibrium without a tool.

    Their present forces on the sheet become dead forces, which are reduced like that of a tool.
    Returns None if no equilibrium is found.
    """
    if not gone:
        return Released(point, 0.0)
    model, state = process.model, point.state
    nodal = nodal_of(model, state, gone)
    without = replace(state, standing=tuple(
        held for held in state.standing if all(held is not one for one in gone)))
    internal = model.internal(state.displacement, without, False)
    if internal is None:
        return None
    fading = DeadForce(nodal)
    reading = Reading(float(nodal.sum(axis=0) @ fading.direction), np.empty(0))
    start = replace(point.alone(model.layout.count), state=without, internal=internal,
                    tool_nodal=nodal, reading=reading,
                    peak_nodal_N=max(point.peak_nodal_N, length(nodal)))
    return release_tool(process, start, fading)
