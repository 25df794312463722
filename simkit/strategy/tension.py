"""Two hands: hold the dent, tap its crown meanwhile, let down; then whatever spot is worst.

What pays is to hold near the force at which the dent would come by itself (docs/hold-and-tap.md).
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
from simkit.repair.operations import Operation, apply_operation
from simkit.repair.session import Session
from simkit.strategy.choice import (
    DEEP_MM,
    LEAST_GAIN_SHARE,
    first_that_pays,
    lifting_kinds,
    open_spots,
    tools_for,
)

HELD_FORCE_SHARE = 0.85
"""Share of the force that is held: of the one that brings the low to flush for good, at which the
dent comes by itself, or which glue and tool bear, whichever is met first."""
MOST_TAPS = 8
"""Taps under one hold at most."""
APART_MM = 8.0
"""Taps under one hold lie at least so far from each other."""
FORCE_DROP_SHARE = 0.02
"""Share by which the force must fall for its greatest value to be the dent's own limit."""
TRIAL = AdvanceSettings(first_mm=0.2, largest_mm=1.0, release_steps=0, goal_tolerance_mm=0.03)


@dataclass(frozen=True)
class CrownUnderTension:
    """Hold a deep low with the best lifting tool, tap its crown, the highest first, let down;
    again while that pays, then the worst spot first."""

    name: str = "crown-under-tension"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        if session.state.standing:
            return self._tap(session) or _down(session)
        spots = open_spots(session)
        lows = [spot for spot in spots if spot.kind == "low"]
        deep = max(lows, key=lambda spot: abs(spot.height_mm), default=None)
        if (deep is not None and abs(deep.height_mm) > DEEP_MM and _crowned(session)
                and session.now.row.step + 3 <= session.work.case.limits.steps
                and _last_hold_paid(session)):
            held = hold_for(session, deep)
            if held is not None:
                return held
        return first_that_pays(session, spots)

    def _tap(self, session: Session) -> Operation | None:
        """The next tap under what is held; None when it is time to let down."""
        done = _since_hold(session)
        left = session.work.case.limits.steps - session.now.row.step
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
            covered = any(np.hypot(spot.x_mm - held.x_mm, spot.y_mm - held.y_mm)
                          <= held.radius_mm for held in session.state.standing)
            if spot.kind == "high" and apart and not covered:
                return Operation("tap-down", tools_for(session, "tap-down", spot)[0],
                                 round(spot.x_mm, 3), round(spot.y_mm, 3), 0.0,
                                 round(spot.angle_deg, 3), everything_off=True, may_snap=True)
        return None


def hold_for(session: Session, low: Spot) -> Operation | None:
    """A hold on a low with :data:`HELD_FORCE_SHARE` of what it bears; None where no tool fits or
    none holds.

    The tab (or the tip, where behind is reachable) that lifts the low highest at its own share.
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
    """Force that a trial of loading bore, N: its greatest before it fell, or at its end."""
    force = np.array([point.force_N for point in trial.path])
    if force.size == 0:
        return 0.0
    top = np.maximum.accumulate(force)
    falls = np.flatnonzero(force < (1.0 - FORCE_DROP_SHARE) * top)
    return float(top[falls[0]] if falls.size else top[-1])


def _crowned(session: Session) -> bool:
    """Whether something stands high enough to be tapped meanwhile."""
    return any(spot.kind == "high" for spot in session.spots()) and bool(session.work.tips)


def _down(session: Session) -> Operation:
    held = session.state.standing[0]
    return Operation("let-down", "", held.x_mm, held.y_mm)


def _let_down(session: Session) -> Session | None:
    """The session with everything let go, to look at; None where no balance is found."""
    free = session.apply(_down(session))
    return free if Outcome(free.now.row.outcome).valid else None


def _since_hold(session: Session) -> list[Session]:
    """The sessions after each step since the last hold, the earliest first."""
    rows = [step.row.operation for step in session.steps]
    last = max(k for k, kind in enumerate(rows) if kind == "hold")
    return [Session(session.work, session.steps[: k + 1], session.ring)
            for k in range(last + 1, len(rows))]


def _last_hold_paid(session: Session) -> bool:
    """Whether the last round of hold, taps and let-down took away a worthwhile share of what was
    beyond the limits; True before the first."""
    rows = [step.row for step in session.steps]
    holds = [k for k, row in enumerate(rows) if row.operation == "hold"]
    if not holds:
        return True
    before = rows[holds[-1] - 1]
    downs = [row for row in rows[holds[-1]:] if row.held_N == 0.0]
    taps = max(len(rows) - 1 - holds[-1], 1)
    return bool(downs) and downs[0].left_mm2 < (1.0 - 2.0
                                                * LEAST_GAIN_SHARE) ** taps * before.left_mm2
