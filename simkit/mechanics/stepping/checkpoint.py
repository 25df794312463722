"""A checkpoint of the loading, to which it can return."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping.process import Equilibrium

LEAST_STEP_MM = 3e-3
"""Increment below which the goal is not approached more closely."""
LEAST_GAIN_SHARE = 0.1
"""Share of the distance to the goal that the plastic work since the last prediction must gain, at
its last rate, before the release is predicted again."""
LOOK_TRAVEL_SHARE, SURE_TRAVEL_SHARE = 0.6, 5.0
"""Motion of the loaded place since the last prediction, over the distance to the goal, below which
the release is not predicted again, and above which it is even after little plastic work."""


@dataclass(frozen=True)
class Checkpoint:
    """The last increment at which the released shape was predicted.

    The loading returns to it if the next prediction is beyond the goal.

    Attributes
    ----------
    loaded_mm, predicted_mm : deviation of the place under load, and predicted after release.
    spent : plastic work, N mm.
    point, before : equilibrium here and one increment earlier.
    tool : the tool here; given : as in :class:`simkit.mechanics.stepping.loading.LoadingPhase`.
    increments : number of increments up to here.
    """

    loaded_mm: float
    predicted_mm: float
    spent: float
    point: Equilibrium
    before: Equilibrium
    tool: Engagement
    given: float
    increments: int

    def outdated(self, goal_mm: float, loaded_mm: float, spent: float, yielding: float) -> bool:
        """Whether the released place may have come near the goal since this checkpoint.

        Springback reduces the motion of the loaded place, and without plastic work the released
        place does not move. loaded_mm : present deviation of the place under load; spent : plastic
        work so far, N mm; yielding : motion of the released place per plastic work, mm / (N mm).
        """
        left = abs(goal_mm - self.predicted_mm)
        moved = abs(loaded_mm - self.loaded_mm)
        if moved < LOOK_TRAVEL_SHARE * left:
            return False
        return not (yielding * (spent - self.spent) < LEAST_GAIN_SHARE * left
                    and moved < SURE_TRAVEL_SHARE * max(left, LEAST_STEP_MM))
