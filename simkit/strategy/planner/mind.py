"""Knowledge of a planner about one repair: influence fields from the computed operations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.spots import find_spots
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import largest_height
from simkit.strategy.choice import DEEP_MM, done_at_all, height_at, tried_out
from simkit.strategy.planner.candidates import long_tools, ways_of
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.pool import Pool
from simkit.strategy.planner.yardstick import Yardstick, make_yardstick

Array = NDArray[np.float64]
ADDABLE_MM = 1.5
"""Largest height of a dent on which influence fields are added if no lift makes it shallower."""
EDGE_MM = 25.0
"""Places nearer to the edge of the judged region are not used to compute influence fields."""


class Mind:
    """Influence fields of one repair, over the limits of the next stage."""

    def __init__(self) -> None:
        self.library: Library | None = None
        self._limits: tuple[float, float] | None = None
        self._failed: set[Way] = set()
        self.bowing: set[Way] = set()
        """Ways that bend the whole panel at the worst place; a pass of such touches takes too long.
        """
        self.solved = 0
        self._added_to_mm = DEEP_MM

    @contextmanager
    def adding_up_to(self, height_mm: float) -> Iterator[None]:
        """Influence fields are stored and added also on a dent of this height."""
        self._added_to_mm = height_mm
        try:
            yield
        finally:
            self._added_to_mm = DEEP_MM

    @classmethod
    def taught_by(cls, other: Mind) -> Mind:
        """A copy of another mind's knowledge, which learns independently."""
        new = cls()
        if other.library is not None:
            new.library = Library(other.library.yardstick, dict(other.library.known))
        new._limits, new._failed = other._limits, set(other._failed)
        new.bowing = set(other.bowing)
        return new

    def yardstick(self, session: Session) -> Yardstick:
        """Yardstick for the next stage; known influence fields are converted to new limits."""
        limits = session.work.case.goal.limits_of(session.stage_ahead)
        if self.library is None:
            self.library = Library(make_yardstick(session.work, limits))
        elif self._limits != limits:
            self.library = self.library.for_limits(make_yardstick(session.work, limits))
        self._limits = limits
        return self.library.yardstick

    def solve(self, session: Session, operation: Operation, quick: bool = True
              ) -> Session | None:
        """Compute a step; None if the tool does not fit or no equilibrium is found.

        Its influence field is stored unless the dent is still deep.
        """
        self.solved += 1
        after = tried_out(session, operation, quick)
        if after is None or not done_at_all(after):
            return None
        if not operation.is_pass and self.library is not None and (
                deepest_mm(session) <= self._added_to_mm):
            self.library.learn(_turned(session, operation), session, after)
        return after

    def measure(self, session: Session, places: Sequence[tuple[float, float]]) -> None:
        """One quick computation for each way without a known influence field, at the worst place
        that it fits.

        Places near an edge are avoided if possible, because the sheet is softer there.
        """
        self.yardstick(session)
        assert self.library is not None
        tilt = largest_change(session)
        first = [(round(spot.x_mm, 1), round(spot.y_mm, 1)) for spot in find_spots(
            session.steps[0].field, session.work.case.goal.limits[0])[:1]]
        tried = sorted(places, key=self._beside_edge)[:2]
        if tried and self._beside_edge(tried[0]):
            tried = [*first, *tried]
        for way in ways_of(session):
            if way in self.library.known or way in self._failed:
                continue
            for x, y in tried:
                if way.kind == "push" and not session.work.reaches(x, y):
                    continue
                here = height_at(session, x, y)
                # Small enough to be nearly linear, large compared with errors of equilibrium.
                goal = round(here + way.sign * min(0.4 * tilt, 0.15), 4)
                if self.solve(session, Operation(way.kind, way.tool, x, y, goal,
                                                 way.angle_deg)) is None:
                    self.bowing.add(way)
                if way in self.library.known:
                    break
            else:
                self._failed.add(way)

    def _beside_edge(self, place: tuple[float, float]) -> bool:
        assert self.library is not None
        yard = self.library.yardstick
        return any(min(at - axis.min(), axis.max() - at) < EDGE_MM
                   for at, axis in zip(place, (yard.x_mm, yard.y_mm), strict=True))


def _turned(session: Session, operation: Operation) -> Operation:
    """The operation without the angle of a tool that is round, so that it counts as one way."""
    return operation if operation.tool in long_tools(session) else replace(operation, angle_deg=0.0)


def deepest_mm(session: Session) -> float:
    """Largest height of a panel, low or high, mm."""
    return largest_height(session.now.row)


def largest_change(session: Session) -> float:
    """Largest change at a place in fine work, mm."""
    return float(np.clip(1.5 * deepest_mm(session), 0.1, 1.0))


def operation_of(session: Session, pool: Pool, candidate: int, change_mm: float) -> Operation:
    """The operation of a candidate with a change at its place, mm."""
    way, x, y = pool.ways[candidate], pool.x_mm[candidate], pool.y_mm[candidate]
    goal = height_at(session, float(x), float(y)) + change_mm
    return Operation(way.kind, way.tool, float(x), float(y), round(goal, 4), way.angle_deg)
