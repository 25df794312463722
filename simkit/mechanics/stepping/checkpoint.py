"""A place of the loading to go back to."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping.process import Equilibrium


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
