"""Which tool a kit lacks: what the joint plan could do with one more from the catalogue."""

from __future__ import annotations

from dataclasses import replace

from simkit.repair.session import Session
from simkit.strategy.planner.candidates import worst_places
from simkit.strategy.planner.mind import Mind
from simkit.strategy.planner.refine import plan_from
from simkit.tool.catalogue import find_tab, find_tip

TABS = ("round-16", "round-40")
TIPS = ("ball-12", "flat-12", "bar-6x40", "block-40x20")
"""Tools of the catalogue that are tried, the first of a sort that makes a plan whole."""
WORTH = 0.5
"""Share of what the kit's own plan leaves below which another tool is worth its name."""


def lacking(session: Session, mind: Mind) -> str:
    """One sentence on a panel that the kit does not bring to its stage, from joint plans.

    A plan adds up fields that were each measured by one quick solve; it promises, it proves
    nothing.
    """
    _, plan = plan_from(session, mind)
    if plan.complete:
        return (f"a plan of {len(plan.candidates)} more steps with this kit is foreseen to get "
                "there, but its steps do not hold what they promise")
    best = None
    for name, richer in _richer(session):
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
        return ("no plan with this kit gets there, nor with any one of "
                f"{', '.join((*TABS, *TIPS))} besides")
    if best[1]:
        return (f"the kit lacks a tool: with {best[0]} a plan of {best[1]} more steps is foreseen "
                "to get there")
    return f"the kit lacks a tool: {best[0]} is foreseen to halve what is left, not to get there"


def _richer(session: Session) -> list[tuple[str, Session]]:
    """The same panel with a kit of one more tool."""
    work = session.work
    have = {*(tab.name for tab in work.tabs), *(tip.name for tip in work.tips)}
    found = [(name, replace(work, tips=(*work.tips, find_tip(name))))
             for name in TIPS if name not in have]
    found += [(name, replace(work, tabs=(*work.tabs, find_tab(name))))
              for name in TABS if name not in have]
    return [(name, replace(session, work=richer)) for name, richer in found]
