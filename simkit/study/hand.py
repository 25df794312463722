"""Errors of the hand in a planned operation: of the place and of the height reached."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.case.repair import Hand
from simkit.inspection.sampling import probe_at
from simkit.repair.operations import Operation
from simkit.repair.passes import Place
from simkit.repair.session import Session

LIFTED = ("pull", "push", "tap-down")


def by_hand(session: Session, operation: Operation) -> Operation:
    """The operation as a hand carries it out; random numbers from the case's seed and the step.

    Errors are normal, clipped to three standard errors. The error of the height is a share of the
    way from the present height to the goal, plus an absolute error. Holds and let-downs have none.
    The touches of a pass at chosen places have errors of their own; for their shares, the height
    before the pass counts as the present one.
    """
    hand: Hand = session.work.case.hand
    if operation.kind not in LIFTED or hand.exact:
        return operation
    # seeded by the step, not drawn in sequence: a resumed run has the same errors as a whole one
    random = np.random.default_rng([session.work.case.seed, 31, session.now.row.step])

    def missed(x_mm: float, y_mm: float, goal_mm: float) -> Place:
        draw = np.clip(random.standard_normal(4), -3.0, 3.0)
        x = x_mm + hand.place_mm * float(draw[0])
        y = y_mm + hand.place_mm * float(draw[1])
        here = probe_at(session.work.model, x_mm, y_mm)
        way = goal_mm - here.read(session.state.displacement)
        error = 0.01 * hand.height_pct * abs(way) * float(draw[2]) + hand.height_mm * float(draw[3])
        # where the erroneous place cannot be reached from behind, the tool acts at the planned one
        if operation.kind == "push" and not session.work.reaches(x, y):
            x, y = x_mm, y_mm
        return round(x, 3), round(y, 3), round(goal_mm + error, 4)

    x, y, goal = missed(operation.x_mm, operation.y_mm, operation.goal_mm)
    return replace(operation, x_mm=x, y_mm=y, goal_mm=goal,
                   further=tuple(missed(*place) for place in operation.further))
