"""Rounds with two hands: hold the dent, tap its crown meanwhile, let down.

Where no lift alone brings a deep dent to flush without a snap, the crown braces it; lowered under
the hold it lets the dent come (docs/hold-and-tap.md). How much to hold is decided by computing it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.planner.mind import Mind
from simkit.strategy.planner.words import Done
from simkit.strategy.planner.worked import in_one
from simkit.strategy.tension import HELD_FORCE_SHARE, hold_for, let_down_of, next_tap

HELD_SHARES = (0.75, 0.85, 0.95)
"""Forces of a hold over the limiting force that are tried."""


def held_rounds(session: Session, mind: Mind) -> Iterator[tuple[Done, ...]]:
    """Hold, one pass of taps, let-down, each with the panel after it, for each force that is tried.

    Empty if there is no low, no crown, or no tool that holds.
    """
    lows = [spot for spot in session.spots() if spot.kind == "low"]
    if not (lows and session.work.tips) or session.state.standing:
        return
    usual = hold_for(session, lows[0])
    if usual is None or usual.force_N is None:
        return
    for share in HELD_SHARES:
        held = replace(usual, force_N=round(usual.force_N * share / HELD_FORCE_SHARE, 1))
        round_ = _round(session, mind, held)
        if round_ is not None:
            yield round_


def _round(session: Session, mind: Mind, held: Operation) -> tuple[Done, ...] | None:
    """A hold with the taps that the crown needs under it, and its let-down."""
    loaded = mind.solve(session, held)
    if loaded is None or not loaded.state.standing:
        return None
    now, touches = loaded, list[Done]()
    while (tap := next_tap(now)) is not None and (
            not touches or tap.tool == touches[0][0].tool):
        after = mind.solve(now, tap)
        if after is None:
            break
        now = after
        touches.append((tap, after))
    if not touches:
        return None
    taps = touches[0] if len(touches) == 1 else in_one(loaded, touches)
    if taps is None:
        return None
    down = let_down_of(taps[1])
    free = mind.solve(taps[1], down)
    return None if free is None else ((held, loaded), taps, (down, free))
