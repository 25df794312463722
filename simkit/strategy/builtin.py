"""The built-in fixed strategies, which differ in the order of the spots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.inspection.measures import limit_use
from simkit.inspection.spots import Spot, spot_labels
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.choice import (
    DEEP_MM,
    Strategy,
    best_of,
    face_mm,
    kinds_for,
    lifting_kinds,
    open_spots,
    operations_at,
)
from simkit.strategy.finishing import last_touch
from simkit.strategy.heights import first_that_pays
from simkit.strategy.passing import LightPasses
from simkit.strategy.tension import CrownUnderTension

LIFTS = ("pull", "push")


@dataclass(frozen=True)
class CentreFirst:
    """Lift the lows, the worst first; tap highs down only if no low can be improved any more."""

    name: str = "centre-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        return by_kind(session, "low")


@dataclass(frozen=True)
class CrownFirst:
    """Tap the highs down, the worst first, while that is worth a step; then lift the lows."""

    name: str = "crown-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        return by_kind(session, "high")


@dataclass(frozen=True)
class WorstSpotFirst:
    """Always the spot that is farthest beyond its limits, low or high."""

    name: str = "worst-spot-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        return last_touch(session) or first_that_pays(session, open_spots(session))


@dataclass(frozen=True)
class Alternating:
    """Low and high alternately: after a lift the worst high, after a tap the worst low."""

    name: str = "alternating"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        return by_kind(session, "high" if session.now.row.operation in LIFTS else "low")


@dataclass(frozen=True)
class RimInwards:
    """Lift a deep low from its rim inwards, each time at its steepest place; then worst first."""

    name: str = "rim-inwards"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        spots = open_spots(session)
        for spot in spots:
            if spot.kind == "low" and abs(spot.height_mm) > DEEP_MM:
                rim = _steepest_in(session, spot)
                for kind in lifting_kinds(session, spot):
                    chosen = best_of(session, operations_at(session, kind, rim))
                    if chosen is not None:
                        return chosen
        return last_touch(session) or first_that_pays(session, spots)


@dataclass(frozen=True)
class BulkThenFine:
    """Worst first, with the widest tools until the bulk stage and the narrowest at the end."""

    name: str = "bulk-then-fine"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        work = session.work
        tips = sorted(work.tips, key=lambda tip: face_mm(tip.body))
        tabs = sorted(work.tabs, key=lambda tab: tab.width_mm)
        stage = session.now.row.stage
        # Before the bulk stage the widest tool only, then the wider half, at the end the two
        # narrowest.
        def of(tools: list[str]) -> list[str]:
            return {"": tools[-1:], "bulk": tools[len(tools) // 2:]}.get(stage, tools[:2])

        touch = last_touch(session)
        if touch is not None:
            return touch
        names = of([tip.name for tip in tips]) + of([tab.name for tab in tabs])
        spots = open_spots(session)
        for spot in spots[:3]:
            chosen = best_of(session, (op for kind in kinds_for(session, spot)
                                       for op in operations_at(session, kind, spot)
                                       if op.tool in names))
            if chosen is not None:
                return chosen
        return first_that_pays(session, spots)


def by_kind(session: Session, first: str) -> Operation | None:
    """An operation for the worst spot of one kind at which one is worth a step, then of the other.
    """
    touch = last_touch(session)
    if touch is not None:
        return touch
    spots = open_spots(session)
    ordered = [[spot for spot in spots if (spot.kind == first) is wanted]
               for wanted in (True, False)]
    return first_that_pays(session, ordered[0], last=False) or first_that_pays(session, ordered[1])


def _steepest_in(session: Session, spot: Spot) -> Spot:
    """The same low, but with the place of its steepest slope."""
    goal, field = session.work.case.goal, session.now.field
    labels = spot_labels(field, goal.limits[0])
    own = labels[_nearest(field.y_mm, spot.y_mm), _nearest(field.x_mm, spot.x_mm)]
    # A height limit of 1e9 mm leaves only the slope as a criterion.
    use = np.where(labels == own, limit_use(field, 1e9, goal.limits[1],
                                            goal.slope_base_mm), 0.0)
    row, column = np.unravel_index(int(np.argmax(use)), use.shape)
    return Spot(spot.label, "low", float(field.x_mm[column]), float(field.y_mm[row]),
                float(field.d_mm[row, column]), spot.area_mm2, spot.long_mm, spot.short_mm,
                spot.angle_deg, spot.slope_mrad)


def _nearest(axis: np.ndarray, value: float) -> int:
    return int(np.argmin(np.abs(axis - value)))


BUILTIN: tuple[Strategy, ...] = (CentreFirst(), CrownFirst(), WorstSpotFirst(), Alternating(),
                                 RimInwards(), BulkThenFine(), CrownUnderTension(), LightPasses())
