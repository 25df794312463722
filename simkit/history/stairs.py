"""The depths that one body can leave: a staircase over its travel, climbed by real releases."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.history.strike import FORCE_N, Blow, set_body
from simkit.inspection.sampling import probe_at
from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.mechanics.stepping.several import release_at
from simkit.repair.workpiece import Workpiece

CLIMB = AdvanceSettings(first_mm=0.3, largest_mm=0.8)
FIRST_RELEASES, CLOSER_RELEASES = 12, 5
"""Releases of the first loading, and of each that looks closer."""
CLOSER_LOADINGS = 3
"""Loadings that look closer."""
SAME_STAIR = 1.8
"""Change of the depth over that of the travel up to which two releases stand on one stair."""


@dataclass(frozen=True)
class Stair:
    """What a wanted depth lies between: travel and deviation left (mm) before and after it."""

    before: tuple[float, float]
    after: tuple[float, float]

    @property
    def jump(self) -> bool:
        """Whether the sheet leaves nothing between."""
        travel, change = self.after[0] - self.before[0], abs(self.after[1] - self.before[1])
        return change > SAME_STAIR * travel + 0.05

    def narrowed(self, travel_mm: float, left_mm: float, wanted_mm: float) -> Stair:
        """The same with one end moved to what a travel between them left."""
        here = (travel_mm, left_mm)
        further = (left_mm - wanted_mm) * (self.after[1] - wanted_mm) < 0.0
        return Stair(here, self.after) if further else Stair(self.before, here)

    def travel_to(self, depth_mm: float) -> float:
        """Travel that leaves a depth between the two."""
        share = (depth_mm - self.before[1]) / (self.after[1] - self.before[1])
        return self.before[0] + float(np.clip(share, 0.0, 1.0)) * (self.after[0] - self.before[0])


def stair_of(work: Workpiece, state: State, blow: Blow, furthest_mm: float) -> Stair | None:
    """Between which releases the blow's depth lies; None where no travel up to the furthest
    reaches it. The first travel on is looked for, as a tool meets it on its way."""
    travels = np.linspace(0.0, furthest_mm, FIRST_RELEASES + 1)[1:]
    start = (0.0, probe_at(work.model, blow.x_mm, blow.y_mm).read(state.displacement))
    stair = _bracket(work, state, blow, travels, start)
    for _ in range(CLOSER_LOADINGS):
        if stair is None or not stair.jump:
            break
        travels = np.linspace(stair.before[0], stair.after[0], CLOSER_RELEASES + 2)[1:]
        stair = _bracket(work, state, blow, travels, stair.before)
    return stair


def _bracket(work: Workpiece, state: State, blow: Blow, travels: np.ndarray,
             start: tuple[float, float]) -> Stair | None:
    sign = -1.0 if blow.inward else 1.0
    probe = probe_at(work.model, blow.x_mm, blow.y_mm)
    body = replace(blow, travel_mm=float(travels[-1]))
    tool = set_body(work, state, body, float(travels[-1]))
    before = start
    for freed in release_at(work.model, state, tool, [float(t) for t in travels], CLIMB, FORCE_N):
        here = (freed.travel_mm, probe.read(freed.state.displacement))
        if sign * here[1] >= sign * blow.depth_mm:
            return Stair(before, here)
        before = here
    return None
