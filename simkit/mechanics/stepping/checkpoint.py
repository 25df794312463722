"""A place of the loading to go back to."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping.process import Equilibrium

LEAST_STEP_MM = 3e-3
"""Increment below which the goal is not looked for any closer; the shortest is no longer."""
LEAST_GAIN_SHARE = 0.1
"""Share of the way to the goal that plastic work must be worth, at its last rate, for a look."""
LOOK_TRAVEL_SHARE, SURE_TRAVEL_SHARE = 0.8, 5.0
"""Shares of the way to the goal by which the loaded place may move before the released shape is
looked at again (springing back takes from it), and before it is however little plastic work did."""


@dataclass(frozen=True)
class Checkpoint:
    """Where the released shape was predicted last: the loading goes back to it if the next
    prediction lies beyond the goal.

    Attributes
    ----------
    loaded_mm, predicted_mm : deviation of the place under load, and once released.
    spent : plastic work, N mm.
    point, before : equilibrium there and one increment earlier.
    tool, given : the tool and the work its springs were given, N mm.
    increments : length of the path.
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
        """Whether the released place may have come near the goal since.

        Springing back takes from what the loaded place moves, and it is plastic work that makes
        the released place move at all. loaded_mm : the place under load now; spent : plastic work
        by now, N mm; yielding : movement of the released place by plastic work, mm / (N mm).
        """
        left = abs(goal_mm - self.predicted_mm)
        moved = abs(loaded_mm - self.loaded_mm)
        if moved < LOOK_TRAVEL_SHARE * left:
            return False
        return not (yielding * (spent - self.spent) < LEAST_GAIN_SHARE * left
                    and moved < SURE_TRAVEL_SHARE * max(left, LEAST_STEP_MM))
