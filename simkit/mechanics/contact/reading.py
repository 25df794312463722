"""Reaction of a tool, and the way in which a tool is taken away."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Reading:
    """Reaction of a tool at one configuration.

    Attributes
    ----------
    force_N : force on the sheet along the travel.
    own : residual of the tool's own unknowns, N.
    penetration_mm : largest penetration of contact; zero for other tools.
    damage : share of its strength that the glue has lost, mean over the area; zero without glue.
    parted : share of the glued area that has failed completely.
    held_Nmm : energy of the tool's own springs (glue, tab, contact penalty): the stored energy and
        the energy dissipated by damage of the glue.
    """

    force_N: float
    own: NDArray[np.float64]
    penetration_mm: float = 0.0
    damage: float = 0.0
    parted: float = 0.0
    held_Nmm: float = 0.0


class Withdrawal(Enum):
    """How a tool is taken away if the sheet would be unstable under its decreasing force."""

    DRAWN_BACK = "a body that travels: it is drawn back along its path; work is force times travel"
    SOFTENED = "springs: their stiffness is reduced to zero; it has a method weaker(share)"
    FADES = "a dead force: it is reduced to zero, and the sheet may snap"
