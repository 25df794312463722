"""How the glue of a tab gives way while it is drawn."""

from __future__ import annotations

import numpy as np

from simkit.mechanics.contact.engagement import Engagement, GluedTab
from simkit.mechanics.stepping.process import Equilibrium, Process

GLUE_STEP_MM = 0.01
"""Increment at which no equilibrium means that damaged glue parts of a sudden."""
MOST_GLUE_LOSS_SHARE, PEAK_FORCE_LEFT_SHARE = 0.1, 0.99
"""Share of its strength that the glue may lose in one increment, and of the force that may be left
after the one in which it is largest: so that is met within a per cent."""
PEELED_FORCE_SHARE = 0.8
"""Share of its largest force below which peeling glue carries the load no longer."""
PEELED_LOSS_SHARE = 0.02
"""Share of its strength that glue must have lost since its largest force to have peeled: a panel
that goes over asks for less force, too."""


def least_step(now: Equilibrium, smallest: float) -> float:
    """Increment below which something has to give, mm."""
    return max(smallest, GLUE_STEP_MM) if now.reading.damage > 0.0 else smallest


def shorter(now: Equilibrium, after: Equilibrium) -> float:
    """Factor for an increment in which the glue lost too much of its strength; 1 if it did not."""
    lost = after.reading.damage - now.reading.damage
    if lost <= 0.0 or after.travel - now.travel <= GLUE_STEP_MM:
        return 1.0
    largest = now.reading.force_N >= now.peak_N
    if largest and after.reading.force_N < PEAK_FORCE_LEFT_SHARE * now.reading.force_N:
        return 0.4
    return 1.0 if lost <= MOST_GLUE_LOSS_SHARE else max(0.8 * MOST_GLUE_LOSS_SHARE / lost, 0.2)


def glue_step(before: Equilibrium, now: Equilibrium) -> float:
    """Longest next increment at the rate at which the glue lost strength in the last one, mm."""
    lost = now.reading.damage - before.reading.damage
    if lost <= 0.0:
        return np.inf
    return max(0.8 * MOST_GLUE_LOSS_SHARE * (now.travel - before.travel) / lost, GLUE_STEP_MM)


def parts_suddenly(process: Process, tool: Engagement, now: Equilibrium, step: float) -> bool:
    """Whether it is the glue that finds no equilibrium a step ahead: with glue that bears all there
    is one, and the sheet does not snap on the way to it."""
    if not isinstance(tool, GluedTab) or now.reading.damage == 0.0:
        return False
    after = process.equilibrium(now, tool.lasting(), now.travel + step, now.x)
    return after is not None and not process.jumped(now, after)


def peeled_off(tool: Engagement, now: Equilibrium) -> bool:
    """Whether the glue, peeling on, carries clearly less than it did."""
    return (isinstance(tool, GluedTab) and now.reading.damage > tool.peak_damage + PEELED_LOSS_SHARE
            and now.reading.force_N < PEELED_FORCE_SHARE * tool.peak_N)


def committed(process: Process, tool: Engagement, point: Equilibrium) -> Engagement:
    """A tool with the damage that its glue has at an equilibrium."""
    if not isinstance(tool, GluedTab):
        return tool
    count, model = process.model.layout.count, process.model
    return tool.at_equilibrium(model, model.patch.control + point.state.displacement,
                           point.x[count:], point.travel)


def in_words(tool: Engagement, now: Equilibrium) -> str:
    """How the glue ended it, in words."""
    assert isinstance(tool, GluedTab)
    read = now.reading
    return (f"glue let go at {tool.peak_N:.0f} N: it had lost {100.0 * read.damage:.0f} % of its "
            f"strength, {100.0 * read.parted:.0f} % of its area had parted")


def spent(tool: Engagement) -> float:
    """Energy that damaged its glue, N mm."""
    return tool.spent_Nmm if isinstance(tool, GluedTab) else 0.0
