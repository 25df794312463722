"""Light passes: a long or wide spot is worked in one step, touch by touch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simkit.inspection.spots import Spot
from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.session import Session
from simkit.strategy.choice import DEEP_MM, best_of, face_mm, open_spots, tools_for
from simkit.strategy.finishing import last_touch
from simkit.strategy.heights import SPOTS_TRIED, first_that_pays, operation_for

APART = 0.7
"""Spacing of touches over the width of the tip's face; common practice, no source."""
LEAST_MM = 6.0
"""Smallest spacing: a small ball moves the sheet over more than its own width."""
INSIDE = 0.7
"""Share of a spot's axes that a pass covers, since its touches also move the sheet beside them."""
MOST_TOUCHES = 24
"""Largest number of touches of a pass that a strategy tries."""
TOOLS = 2
"""Number of tips tried."""


@dataclass(frozen=True)
class LightPasses:
    """Always the worst spot; if nothing is deep any more, by a pass where a spot is longer than the
    tool and a pass is better."""

    name: str = "light-passes"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        spots = open_spots(session)
        if any(abs(spot.height_mm) > DEEP_MM for spot in spots):
            return first_that_pays(session, spots)
        touch = last_touch(session)
        if touch is not None:
            return touch
        for spot in spots[:SPOTS_TRIED]:
            single = operation_for(session, spot)
            tried = [*passes_over(session, spot), *([] if single is None else [single])]
            chosen = best_of(session, tried)
            if chosen is not None:
                return chosen
        return first_that_pays(session, spots)


def passes_over(session: Session, spot: Spot, goal_mm: float = 0.0) -> Iterator[Operation]:
    """Passes to a height over a spot, with the tips that fit it best.

    Taps on a high, pushes from behind on a low that a tool reaches. Each touch ends at the height.
    """
    kind = "tap-down" if spot.kind == "high" else "push"
    work = session.work
    if kind == "push" and not work.reaches(spot.x_mm, spot.y_mm):
        return
    faces = {tip.name: face_mm(tip.body) for tip in work.tips}
    for name in tools_for(session, kind, spot)[:TOOLS]:
        spacing = max(APART * faces[name], LEAST_MM)
        long, wide = INSIDE * spot.long_mm, INSIDE * spot.short_mm
        if long < spacing:
            continue
        spread = Spread(round(long, 3), round(spacing, 3),
                        # Narrower than 1.5 spacings: one row of touches.
                        round(wide, 3) if wide >= 1.5 * spacing else 0.0)
        if spread.count <= MOST_TOUCHES:
            yield Operation(kind, name, round(spot.x_mm, 3), round(spot.y_mm, 3), goal_mm,
                            round(spot.angle_deg, 3), spread=spread)
