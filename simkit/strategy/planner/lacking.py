"""Which tool a kit lacks: joint plans with one more tool from the catalogue."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.inspection.spots import find_spots
from simkit.repair.session import Session
from simkit.strategy.planner.candidates import worst_places
from simkit.strategy.planner.mind import Mind
from simkit.strategy.planner.refine import plan_from
from simkit.tool.catalogue import find_tab, find_tip

TABS = ("round-16", "round-40")
TIPS = ("ball-12", "flat-12", "bar-6x40", "block-40x20")
"""Tools of the catalogue that are tried."""
WORTH = 0.5
"""F of a plan with another tool over that of the kit's own plan below which the tool is named."""


def lacking(session: Session, mind: Mind) -> str:
    """One sentence on a panel that the kit does not bring to its stage, from joint plans.

    A plan adds influence fields, each computed once; it is a prediction and no proof. If the sheet
    is stretched, this is said first.
    """
    return stretched(session) + _by_plans(session, mind)


def waves_mrad(surplus_mm2: float, area_mm2: float) -> float:
    """Root mean square slope, mrad, of a flat sheet with a surplus of area.

    Area = integral of sqrt(1 + slope^2), so for small slopes the surplus is half the integral of
    slope^2.
    """
    return 1e3 * float(np.sqrt(2.0 * max(surplus_mm2, 0.0) / area_mm2))


def stretched(session: Session) -> str:
    """Effect of the area surplus on a flat panel, in words; empty if it is small.

    A curved panel can take a surplus by being a little higher everywhere; a flat one forms waves.
    """
    goal = session.work.case.goal
    area = sum(spot.area_mm2 for spot in find_spots(session.steps[0].field, goal.limits[0]))
    surplus = session.now.row.stretch_mm2
    if session.work.case.panel.surface != "flat" or area <= 0.0:
        return ""
    waves = waves_mrad(surplus, area)
    if waves < goal.limits_of("fine")[1]:
        return ""
    return (f"the sheet is stretched by {surplus:.1f} mm^2 over the {0.01 * area:.0f} cm^2 of the "
            f"damage, which gives a flat sheet waves of {waves:.0f} mrad (rms) unless stress holds "
            "it flat, and no tool shrinks it; ")


def _by_plans(session: Session, mind: Mind) -> str:
    _, plan = plan_from(session, mind)
    if plan.complete:
        return (f"a plan of {len(plan.candidates)} more operations with this kit is predicted to "
                "reach the goal, but they do not give the predicted result")
    best = None
    for name, richer in _richer(session):
        # Fields of the additional tool must not enter the plans with the kit's own tools.
        wider = Mind.taught_by(mind)
        yard = wider.yardstick(richer)
        wider.measure(richer, worst_places(richer, yard, yard.read(richer.now.field)))
        _, other = plan_from(richer, wider)
        if other.complete and (best is None or len(other.candidates) < best[1]):
            best = (name, len(other.candidates))
        elif best is None and other.left < WORTH * plan.left:
            best = (name, 0)
        if best is not None and best[1]:
            break
    if best is None:
        return ("no plan with this kit reaches the goal, nor with any one of "
                f"{', '.join((*TABS, *TIPS))} in addition")
    if best[1]:
        return (f"the kit lacks a tool: with {best[0]} a plan of {best[1]} more steps is predicted "
                "to reach the goal")
    return (f"the kit lacks a tool: {best[0]} is predicted to halve what is left, but not to reach "
            "the goal")


def _richer(session: Session) -> list[tuple[str, Session]]:
    """The same panel with a kit of one more tool."""
    work = session.work
    have = {*(tab.name for tab in work.tabs), *(tip.name for tip in work.tips)}
    found = [(name, replace(work, tips=(*work.tips, find_tip(name))))
             for name in TIPS if name not in have]
    found += [(name, replace(work, tabs=(*work.tabs, find_tab(name))))
              for name in TABS if name not in have]
    return [(name, replace(session, work=richer)) for name, richer in found]
