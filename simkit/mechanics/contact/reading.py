"""What a tool feels, and how it is taken away."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Reading:
    """What a tool feels at one configuration.

    Attributes
    ----------
    force_N : along the travel, on the sheet.
    own : residual of the tool's own unknowns (same unit as the sheet's after scaling).
    penetration_mm : deepest penetration of contact; zero for others.
    damage : share of its strength that the glue has lost, mean over the area; zero without glue.
    parted : share of the glued area that carries nothing any more.
    held_Nmm : energy that went into the tool's own springs (glue, tab, contact penalty): what they
        hold and what damaged the glue.
    """

    force_N: float
    own: NDArray[np.float64]
    penetration_mm: float = 0.0
    damage: float = 0.0
    parted: float = 0.0
    held_Nmm: float = 0.0


class Withdrawal(Enum):
    """How a tool is taken away where the sheet would not be stable under its fading force."""

    DRAWN_BACK = "a body that travels: drawn back the way it came; its work is force times travel"
    SOFTENED = "springs, made weaker and weaker; it has a method weaker(share)"
    FADES = "a force without a place: it fades, and the sheet may snap"
