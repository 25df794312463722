"""The last touch of a stage: near its limits, an operation that meets all of them at once.

The measure by which steps are chosen is that of the goal. Near an earlier stage it can fall while
one of that stage's limits stays exceeded by a little; a shop would first bring the panel within
them.
"""

from __future__ import annotations

from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import excess, meets
from simkit.strategy.choice import (
    done_at_all,
    flank_operations,
    kinds_for,
    open_spots,
    operations_at,
    tried_out,
)

NEAR = 1.35
"""Excess over the limits of the next stage below which a last touch is looked for."""
SPOTS = 2
"""Number of the worst spots at which it is looked for, beside the steepest place."""
SHARES = (0.0, 0.5)
"""Heights to which a spot is brought, over its own."""


def last_touch(session: Session) -> Operation | None:
    """An operation after which the next stage is met, the one that leaves least; None if the panel
    is not near or no operation does."""
    goal, row = session.work.case.goal, session.now.row
    stage = session.stage_ahead
    if session.state.standing or not 1.0 < excess(goal, row, stage) < NEAR:
        return None
    found = []
    for count, operation in enumerate(_touches(session)):
        after = tried_out(session, operation, quick=True)
        if after is not None and done_at_all(after) and meets(goal, stage, after.now.row):
            found.append((after.now.row.left_mm2, count, operation))
    for _, _, operation in sorted(found, key=lambda item: item[:2]):
        after = tried_out(session, operation)
        if after is not None and done_at_all(after) and meets(goal, stage, after.now.row):
            return operation
    return None


def _touches(session: Session) -> list[Operation]:
    """Operations at the steepest place and at the worst spots, with one tool of each kind."""
    found = flank_operations(session, 1)
    for spot in open_spots(session)[:SPOTS]:
        found += [operation for kind in kinds_for(session, spot) for share in SHARES
                  for operation in operations_at(session, kind, spot, round(
                      share * spot.height_mm, 3))[:1]]
    return found
