"""Two hands: hold the dent, tap its crown meanwhile, let down; then the worst spot first.

Holding is useful near the force at which the dent would snap out by itself (docs/hold-and-tap.md).
All rules are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.errors import InputError
from simkit.inspection.sampling import probe_at
from simkit.inspection.spots import Spot, find_spots
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings
from simkit.repair.levels import steps_taken
from simkit.repair.operations import Operation, apply_operation
from simkit.repair.session import Session
from simkit.strategy.choice import (
    DEEP_MM,
    LEAST_GAIN_SHARE,
    lifting_kinds,
    open_spots,
    tools_for,
    tried_out,
)
from simkit.strategy.finishing import last_touch
from simkit.strategy.heights import first_that_pays

HELD_FORCE_SHARE = 0.85
"""Force of a hold over the limiting force: that which brings the low to flush after release, or at
which the dent snaps out, or which glue and tool can carry, whichever is smallest."""
MOST_TAPS = 8
"""Largest number of taps under one hold."""
APART_MM = 8.0
"""Smallest distance of taps under one hold."""
FORCE_DROP_SHARE = 0.02
"""Share by which the force must fall after its largest value to be a limit point of the dent."""
TRIAL = AdvanceSettings(first_mm=0.2, largest_mm=1.0, release_steps=0, goal_tolerance_mm=0.03)


@dataclass(frozen=True)
class CrownUnderTension:
    """Hold a deep low with the best lifting tool, tap its crown, the highest first, let down.

    This is repeated while a step of it takes away more than a plain operation would; then the
    worst spot first.
    """

    name: str = "crown-under-tension"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        if session.state.standing:
            return next_tap(session) or let_down_of(session)
        spots = open_spots(session)
        lows = [spot for spot in spots if spot.kind == "low"]
        deep = max(lows, key=lambda spot: abs(spot.height_mm), default=None)
        if (deep is not None and abs(deep.height_mm) > DEEP_MM and _crowned(session)
                and steps_taken(session) + 3 <= session.work.case.limits.steps
                and _hold_pays(session, spots)):
            held = hold_for(session, deep)
            if held is not None:
                return held
        return last_touch(session) or first_that_pays(session, spots)


def next_tap(session: Session) -> Operation | None:
    """The next tap under a hold, of the highest place of the crown; None if the hold shall be let
    down."""
    done = _since_hold(session)
    left = session.work.case.limits.steps - steps_taken(session)
    if len(done) >= MOST_TAPS or left < 2 or not session.work.tips:
        return None
    if done and not Outcome(done[-1].now.row.outcome).valid:
        return None
    free = _let_down(session)
    if free is None:
        return None
    places = [(step.now.row.x_mm, step.now.row.y_mm) for step in done]
    for spot in find_spots(free.now.field, session.work.case.goal.limits[0]):
        apart = all(np.hypot(spot.x_mm - x, spot.y_mm - y) > APART_MM for x, y in places)
        covered = any(held.covers(spot.x_mm, spot.y_mm) for held in session.state.standing)
        if spot.kind == "high" and apart and not covered:
            return Operation("tap-down", tools_for(session, "tap-down", spot)[0],
                             round(spot.x_mm, 3), round(spot.y_mm, 3), 0.0,
                             round(spot.angle_deg, 3), everything_off=True, may_snap=True)
    return None


def hold_for(session: Session, low: Spot) -> Operation | None:
    """A hold on a low with :data:`HELD_FORCE_SHARE` of its limiting force; None if no tool fits or
    holds.

    The tab (or the tip, if the inner face can be reached) that lifts the low highest is chosen.
    """
    best, highest = None, low.height_mm
    probe = probe_at(session.work.model, low.x_mm, low.y_mm)
    for kind in lifting_kinds(session, low):
        for tool in tools_for(session, kind, low)[:2]:
            asked = Operation(kind, tool, round(low.x_mm, 3), round(low.y_mm, 3), 0.0,
                              round(low.angle_deg, 3))
            try:
                tried = apply_operation(session.work, session.state, asked, TRIAL)
                bears = borne(tried)
                if bears <= 0.0:
                    continue
                held = Operation("hold", tool, asked.x_mm, asked.y_mm, 0.0, asked.angle_deg,
                                 force_N=round(HELD_FORCE_SHARE * bears, 1))
                after = apply_operation(session.work, session.state, held, TRIAL)
            except InputError:
                continue
            height = probe.read(after.state.displacement)
            if after.outcome.valid and after.state.standing and height > highest:
                best, highest = held, height
    return best


def borne(trial: Advance) -> float:
    """Limiting force of a trial loading, N: its largest before the force fell, or the last one."""
    force = np.array([point.force_N for point in trial.path])
    if force.size == 0:
        return 0.0
    top = np.maximum.accumulate(force)
    falls = np.flatnonzero(force < (1.0 - FORCE_DROP_SHARE) * top)
    return float(top[falls[0]] if falls.size else top[-1])


def _hold_pays(session: Session, spots: list[Spot]) -> bool:
    """Whether another round of hold, taps and let-down is worth its steps; True before the first.

    A step of the last round must have taken away the least gain, and more than a plain operation
    would now.
    """
    kept = _kept_by_last_round(session)
    if kept is None:
        return True
    if kept > 1.0 - LEAST_GAIN_SHARE:
        return False
    plain = first_that_pays(session, spots)
    after = tried_out(session, plain) if plain is not None else None
    return after is None or after.now.row.left_mm2 > kept * session.now.row.left_mm2


def _crowned(session: Session) -> bool:
    """Whether there is a high that can be tapped during a hold."""
    return any(spot.kind == "high" for spot in session.spots()) and bool(session.work.tips)


def let_down_of(session: Session) -> Operation:
    """The let-down of all held tools."""
    held = session.state.standing[0]
    return Operation("let-down", "", held.x_mm, held.y_mm)


def _let_down(session: Session) -> Session | None:
    """The session after a trial let-down, to find the highs left; None without equilibrium."""
    free = session.apply(let_down_of(session))
    return free if Outcome(free.now.row.outcome).valid else None


def _since_hold(session: Session) -> list[Session]:
    """The sessions after each step since the last hold, the earliest first."""
    last = _last_hold(session)
    assert last is not None
    return [Session(session.work, session.steps[: k + 1], session.ring)
            for k in range(last + 1, len(session.steps))]


def _last_hold(session: Session) -> int | None:
    """Place of the last hold among the steps; None if there is none."""
    return max((k for k, step in enumerate(session.steps) if step.row.operation == "hold"),
               default=None)


def _kept_by_last_round(session: Session) -> float | None:
    """Share of left_mm2 that one step of the last round of hold, taps and let-down kept, as if all
    its steps kept the same; None before the first round."""
    last = _last_hold(session)
    if last is None:
        return None
    rows = [step.row for step in session.steps]
    down = next((k for k in range(last, len(rows)) if rows[k].held_N == 0.0), None)
    before = rows[last - 1].left_mm2
    if down is None or before <= 0.0:
        return 1.0
    return float((rows[down].left_mm2 / before) ** (1.0 / (down - last + 1)))
