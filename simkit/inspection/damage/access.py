"""Access of a tool to the inner face, and the obstacles to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.case.panel import Panel

TIP_ROOM_MM = 10.0
"""Free sheet that a push tip needs around it: common practice, no source."""


@dataclass(frozen=True)
class Access:
    """Whether a push from behind reaches a place, and if not, why."""

    push: bool
    reason: str


def access_at(panel: Panel, x_mm: float, y_mm: float) -> Access:
    """Access to the inner face at a place x, y."""
    for bed in panel.supports:
        if _distance(bed, x_mm, y_mm) < TIP_ROOM_MM:
            return Access(False, f"{bed.name} behind it")
    reach, rods = panel.behind.reach, ""
    if panel.behind.openings:
        rods = ", by a rod through " + " or ".join(one.name for one in panel.behind.openings)
    if isinstance(reach, str):
        return Access(reach == "all", "" if reach == "all" else
                      "not by hand" + rods if rods else "no access from behind")
    if any(_distance(part, x_mm, y_mm) <= 0.0 for part in reach):
        return Access(True, "")
    return Access(False, "not by hand" + rods if rods else "outside the openings")


def _distance(shape: Any, x_mm: float, y_mm: float) -> float:
    """Distance [mm] of a place from a disc or rectangle; 0 or less inside."""
    dx, dy = x_mm - shape.x_mm, y_mm - shape.y_mm
    if getattr(shape, "shape", "") == "disc":
        return float(np.hypot(dx, dy) - shape.radius_mm)
    angle = np.radians(shape.angle_deg)
    along = abs(dx * np.cos(angle) + dy * np.sin(angle)) - 0.5 * shape.length_mm
    across = abs(-dx * np.sin(angle) + dy * np.cos(angle)) - 0.5 * shape.width_mm
    outside = float(np.hypot(max(along, 0.0), max(across, 0.0)))
    return outside if outside > 0.0 else float(max(along, across))
