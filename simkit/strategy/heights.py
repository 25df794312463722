"""To which height a spot is worked: to flush, past it to be tapped back, or half-way.

The rules compute a few alternatives on the simulated panel; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from simkit.inspection.spots import Spot
from simkit.mechanics.outcome import Outcome
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import largest_height
from simkit.strategy.choice import (
    DEEP_MM,
    LEAST_GAIN_SHARE,
    SURE,
    best_of,
    done_at_all,
    flank,
    height_at,
    kinds_for,
    lifting_kinds,
    operations_at,
    tried_out,
)

PAST_MM = (0.15, 0.3, 0.5)
"""Heights past flush to which a lift is tried: a place lifted just to flush keeps a small low as
wide as the tool, which no later step removes."""
TUNED_BELOW_MM = 2.0
"""Largest height on the panel after a lift to flush above which no heights past flush are tried:
the bulk beside it moves the place by more than that difference."""
LITTLE_SHARE = 0.1
"""Share of its depth that a deep low must lose; else what quick computations gave up is tried too.
"""
SPOTS_TRIED = 6
"""Largest number of spots that are tried."""


def first_that_pays(session: Session, spots: Iterable[Spot], last: bool = True
                    ) -> Operation | None:
    """The operation for the first spot at which one is worth a step; None if none is.

    ``last``: True if there are no further spots; then the steepest places are tried too.
    """
    for count, spot in enumerate(spots):
        if count == SPOTS_TRIED:
            break
        operation = operation_for(session, spot)
        if operation is not None:
            return operation
    return flank(session) if last else None


def operation_for(session: Session, spot: Spot) -> Operation | None:
    """The operation for a spot that is worth a step, to flush or else half-way; None if none is."""
    return _to_flush(session, spot) or _half_way(session, spot)


def _half_way(session: Session, spot: Spot) -> Operation | None:
    """Half of the height, for a crease or a spot beside a steeper one, where flush does harm."""
    half = round(0.5 * spot.height_mm, 3)
    return best_of(session, [op for kind in kinds_for(session, spot)
                             for op in operations_at(session, kind, spot, half)])


def _to_flush(session: Session, spot: Spot) -> Operation | None:
    """To flush; for a deep low the better of pull and push among those that reach flush."""
    if spot.kind == "high":
        return best_of(session, operations_at(session, "tap-down", spot))
    lifts = [op for kind in lifting_kinds(session, spot)
             for op in operations_at(session, kind, spot)]
    tried = [(op, after) for op in lifts
             if (after := tried_out(session, op, quick=True)) is not None]
    # Lifts that reach flush come before those that stop early, whatever their left_mm2.
    reached = [op for op, after in tried if after.now.row.outcome == Outcome.REACHED.value]
    chosen = best_of(session, reached) or best_of(session, lifts)
    deep = abs(spot.height_mm) > DEEP_MM
    if deep and _moves_little(session, chosen):
        given_up = [op for op, after in tried if not done_at_all(after)]
        chosen = _best_computed(session, chosen, given_up)
    return how_far(session, chosen) if deep and chosen is not None else chosen


def _moves_little(session: Session, lift: Operation | None) -> bool:
    """Whether a lift leaves a low nearly as deep as it was, or there is none."""
    if lift is None or (after := tried_out(session, lift)) is None:
        return True
    before, then = (height_at(one, lift.x_mm, lift.y_mm) for one in (session, after))
    return then - before < LITTLE_SHARE * abs(before)


def _best_computed(session: Session, chosen: Operation | None, given_up: list[Operation]
                   ) -> Operation | None:
    """The best of a lift and of those that the quick computation gave up, computed completely.

    Lifts that reach their goal come before lifts whose glue lets go. A panel that has snapped
    through snaps back during the lift, which takes more iterations than a search may spend.
    """
    lifts = ([chosen] if chosen is not None else []) + given_up[:SURE]
    pays = (1.0 - LEAST_GAIN_SHARE) * session.now.row.left_mm2
    full = [(after.now.row.outcome != Outcome.REACHED.value, after.now.row.left_mm2, count)
            for count, lift in enumerate(lifts)
            if (after := tried_out(session, lift)) is not None and done_at_all(after)
            and after.now.row.left_mm2 < pays]
    return lifts[min(full)[2]] if full else chosen


def how_far(session: Session, lift: Operation) -> Operation:
    """A lift to flush, or past flush if that is better after tapping back."""
    flush = tried_out(session, lift, quick=True)
    if flush is not None and largest_height(flush.now.row) > TUNED_BELOW_MM:
        return lift
    best, least = lift, _left_tapped_back(session, lift)
    for goal in PAST_MM:
        further = Operation(lift.kind, lift.tool, lift.x_mm, lift.y_mm, goal, lift.angle_deg)
        left = _left_tapped_back(session, further)
        # assumes one minimum over the goal: stop when a higher goal is worse
        if left < least:
            best, least = further, left
        else:
            break
    return best


def _left_tapped_back(session: Session, lift: Operation) -> float:
    """Measure beyond the limits (left_mm2) after a lift and, if better, a tap back."""
    lifted = tried_out(session, lift, quick=True)
    if lifted is None or not done_at_all(lifted):
        return np.inf
    left = lifted.now.row.left_mm2
    high = [spot for spot in lifted.spots() if spot.kind == "high"
            and np.hypot(spot.x_mm - lift.x_mm, spot.y_mm - lift.y_mm) < 0.5 * spot.long_mm + 10.0]
    for spot in high[:1]:
        for tap in operations_at(lifted, "tap-down", spot)[:1]:
            back = tried_out(lifted, tap, quick=True)
            if back is not None:
                left = min(left, back.now.row.left_mm2)
    return left
