"""The depth that one body leaves as a function of its travel, computed by real releases.

Where the panel snaps, this function jumps: it looks like a staircase, and depths between two stairs
cannot be left.
"""

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
"""Number of releases of the first loading, and of each refining one."""
CLOSER_LOADINGS = 3
"""Number of refining loadings."""
SAME_STAIR = 1.8
"""Change of the depth over that of the travel up to which two releases are on the same stair."""


@dataclass(frozen=True)
class Stair:
    """Two releases that enclose a wanted depth: (travel, deviation left), mm, of each."""

    before: tuple[float, float]
    after: tuple[float, float]

    @property
    def jump(self) -> bool:
        """Whether the depth jumps between the two, so that nothing between them can be left."""
        travel, change = self.after[0] - self.before[0], abs(self.after[1] - self.before[1])
        return change > SAME_STAIR * travel + 0.05

    def narrowed(self, travel_mm: float, left_mm: float, wanted_mm: float) -> Stair:
        """The same with one end replaced by a release at a travel between them."""
        here = (travel_mm, left_mm)
        # opposite signs: the wanted depth lies between this release and the later one
        further = (left_mm - wanted_mm) * (self.after[1] - wanted_mm) < 0.0
        return Stair(here, self.after) if further else Stair(self.before, here)

    def travel_to(self, depth_mm: float) -> float:
        """Travel that leaves a depth between the two, by linear interpolation."""
        share = (depth_mm - self.before[1]) / (self.after[1] - self.before[1])
        return self.before[0] + float(np.clip(share, 0.0, 1.0)) * (self.after[0] - self.before[0])


def stair_of(work: Workpiece, state: State, blow: Blow, furthest_mm: float) -> Stair | None:
    """Two releases that enclose the blow's depth; None if no travel up to ``furthest_mm`` reaches
    it. If several travels leave that depth, the smallest is found."""
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
    """The first two neighbouring releases that enclose the blow's depth, or None."""
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
