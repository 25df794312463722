"""Failure of the glue of a tab while it is pulled: step lengths and criteria."""

from __future__ import annotations

import numpy as np

from simkit.mechanics.contact.engagement import Engagement, GluedTab
from simkit.mechanics.stepping.process import Equilibrium, Process

GLUE_STEP_MM = 0.01
"""If no equilibrium is found with an increment of this length, damaged glue fails suddenly."""
MOST_GLUE_LOSS_SHARE, PEAK_FORCE_LEFT_SHARE = 0.1, 0.99
"""Largest loss of glue strength in one increment, as a share; smallest force after the increment
past the peak, over the force before it, so that the peak is found within 1 %."""
PEELED_FORCE_SHARE = 0.8
"""Share of its largest force below which peeling glue counts as failed."""
PEELED_LOSS_SHARE = 0.02
"""Share of its strength that glue must have lost since its largest force to count as peeled: the
force also falls when a panel snaps through."""


def least_step(now: Equilibrium, smallest: float) -> float:
    """Smallest increment, mm: below it the glue fails or the sheet snaps."""
    return max(smallest, GLUE_STEP_MM) if now.reading.damage > 0.0 else smallest


def shorter(now: Equilibrium, after: Equilibrium) -> float:
    """Factor by which to shorten an increment in which the glue lost too much strength; 1 if it did
    not."""
    lost = after.reading.damage - now.reading.damage
    if lost <= 0.0 or after.travel - now.travel <= GLUE_STEP_MM:
        return 1.0
    largest = now.reading.force_N >= now.peak_N
    if largest and after.reading.force_N < PEAK_FORCE_LEFT_SHARE * now.reading.force_N:
        return 0.4
    return 1.0 if lost <= MOST_GLUE_LOSS_SHARE else max(0.8 * MOST_GLUE_LOSS_SHARE / lost, 0.2)


def glue_step(before: Equilibrium, now: Equilibrium) -> float:
    """Longest next increment by the loss of glue strength per travel in the last one, mm."""
    lost = now.reading.damage - before.reading.damage
    if lost <= 0.0:
        return np.inf
    return max(0.8 * MOST_GLUE_LOSS_SHARE * (now.travel - before.travel) / lost, GLUE_STEP_MM)


def parts_suddenly(process: Process, tool: Engagement, now: Equilibrium, step: float) -> bool:
    """Whether the glue is the reason that no equilibrium is found one step ahead.

    It is if there is an equilibrium with glue that cannot be damaged further, and the sheet does
    not snap before it.
    """
    if not isinstance(tool, GluedTab) or now.reading.damage == 0.0:
        return False
    after = process.equilibrium(now, tool.lasting(), now.travel + step, now.x)
    return after is not None and not process.jumped(now, after)


def peeled_off(tool: Engagement, now: Equilibrium) -> bool:
    """Whether the glue has peeled so far that it carries clearly less than its largest force."""
    return (isinstance(tool, GluedTab) and now.reading.damage > tool.peak_damage + PEELED_LOSS_SHARE
            and now.reading.force_N < PEELED_FORCE_SHARE * tool.peak_N)


def committed(process: Process, tool: Engagement, point: Equilibrium) -> Engagement:
    """The tool with its glue damage updated at an equilibrium; other tools unchanged."""
    if not isinstance(tool, GluedTab):
        return tool
    count, model = process.model.layout.count, process.model
    return tool.at_equilibrium(model, model.patch.control + point.state.displacement,
                           point.x[count:], point.travel)


def in_words(tool: Engagement, now: Equilibrium) -> str:
    """Description of the failure of the glue."""
    assert isinstance(tool, GluedTab)
    read = now.reading
    return (f"glue let go at {tool.peak_N:.0f} N: it had lost {100.0 * read.damage:.0f} % of its "
            f"strength, {100.0 * read.parted:.0f} % of its area had parted")


def spent(tool: Engagement) -> float:
    """Energy dissipated by damage of its glue, N mm; zero for other tools."""
    return tool.spent_Nmm if isinstance(tool, GluedTab) else 0.0


def carried(process: Process, tool: Engagement, now: Equilibrium) -> tuple[float, ...]:
    """Force of each tab of a rig at an equilibrium, N; empty for other tools."""
    if not isinstance(tool, GluedTab):
        return ()
    count, model = process.model.layout.count, process.model
    return tool.carried_N(model, model.patch.control + now.state.displacement, now.x[count:],
                          now.travel)
