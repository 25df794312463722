"""Kinks of the panel's edge in damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.dent.field import DepthField

Array = NDArray[np.float64]
BASE_MM = 10.0
"""Length on either side over which the slope of the edge is taken."""
SMALLEST_TURN_RAD = 0.02
"""Smallest change of slope of a kink."""
SHARP_MM = 60.0
"""Largest radius of a kink."""


@dataclass(frozen=True)
class EdgeKink:
    """A kink of the panel's edge.

    ``side`` left, right, bottom, top or rim; ``d_mm`` deviation there; ``turn_deg`` angle by which
    the edge line turns within 20 mm, > 0 if bent outward on both sides; ``radius_mm`` smallest
    radius.
    """

    side: str
    x_mm: float
    y_mm: float
    d_mm: float
    turn_deg: float
    radius_mm: float


def find_edge_kinks(depth: DepthField, border: dict[str, Array]) -> list[EdgeKink]:
    """Kinks along the sides of a panel; ``border``: side -> places (n, 2) [mm], evenly spaced."""
    found = []
    for side, xy in border.items():
        step = float(np.hypot(*(xy[1] - xy[0])))
        d = depth(*xy.T)
        bend = np.zeros(len(d))
        bend[1:-1] = (d[:-2] - 2.0 * d[1:-1] + d[2:]) / step**2
        far = max(1, round(BASE_MM / step))
        turn = np.zeros(len(d))
        turn[far:-far] = (d[2 * far:] - 2.0 * d[far:-far] + d[: -2 * far]) / (far * step)
        free = np.abs(turn)
        while free.max() > SMALLEST_TURN_RAD:
            at = int(np.argmax(free))
            near = slice(max(0, at - far), at + far + 1)
            radius = 1.0 / max(float(np.abs(bend[near]).max()), 1e-9)
            if radius <= SHARP_MM:
                found.append(EdgeKink(side, float(xy[at, 0]), float(xy[at, 1]), float(d[at]),
                                      float(np.degrees(np.arctan(turn[at]))), radius))
            free[max(0, at - 2 * far): at + 2 * far + 1] = 0.0
    return sorted(found, key=lambda kink: -abs(kink.turn_deg))
