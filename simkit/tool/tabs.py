"""Glue tabs: the footprint that is glued to the panel and pulled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError

POISSON = 0.38
"""Of the plastics that tabs are moulded of: MEMORY, not looked up (0.35 to 0.42)."""
STEM_SHARE = 0.3
"""Diameter of a stem over the tab's width where none is given; an estimate."""

TabKind = Literal["round", "oval", "strip", "rounded-rectangle", "blade"]


@dataclass(frozen=True)
class Tab:
    """Glue tab.

    Attributes
    ----------
    name : as printed in tables.
    kind : round (disc), oval (ellipse), strip (rectangle), rounded-rectangle, or blade (narrow
        rectangle with round ends, on edge).
    length_mm : size along local x; the diameter of a round tab.
    width_mm : size along local y; equal to the length for a round tab.
    corner_mm : radius of the corners of a rounded rectangle.
    thickness_mm, modulus_MPa : of the plate, which bends; both None for a rigid tab.
    stem_mm : diameter of the stem in its middle, which stays flat; None: a share of the width.
    """

    name: str
    kind: TabKind
    length_mm: float
    width_mm: float
    corner_mm: float = 0.0
    thickness_mm: float | None = None
    modulus_MPa: float | None = None
    stem_mm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(TabKind):
            raise InputError(f"tab kind '{self.kind}'", "one of " + ", ".join(get_args(TabKind)),
                             key="kind")
        for key in ("length_mm", "width_mm"):
            value = getattr(self, key)
            if not 0 < value < math.inf:
                raise InputError(f"tab '{self.name}': {key} {value}", "a positive number", key=key)
        if self.kind != "round" and self.width_mm > self.length_mm:
            raise InputError(f"tab '{self.name}': wider than long",
                             "length_mm along the long side", key="width_mm")
        rounded = self.kind == "rounded-rectangle"
        if not (0.0 < self.corner_mm <= 0.5 * self.width_mm if rounded
                else self.corner_mm == 0.0):
            raise InputError(f"tab '{self.name}': corner_mm {self.corner_mm:g}",
                             f"above 0, at most half the width, {0.5 * self.width_mm:g} mm"
                             if rounded else "leave it out", key="corner_mm")
        if self.kind == "round" and self.length_mm != self.width_mm:
            sizes = f"{self.length_mm:g} x {self.width_mm:g} mm"
            raise InputError(f"round tab '{self.name}' of {sizes}", "one diameter, or kind: oval")

        if (self.thickness_mm is None) != (self.modulus_MPa is None):
            key = "modulus_MPa" if self.modulus_MPa is None else "thickness_mm"
            raise InputError(f"tab '{self.name}': {key} missing",
                             "a plate that bends has both, a rigid tab neither", key=key)
        if self.rigid and self.stem_mm is not None:
            raise InputError(f"tab '{self.name}': stem_mm of a rigid tab does nothing",
                             "leave it out, or give thickness_mm and modulus_MPa", key="stem_mm")
        if not self.rigid and not self.stem < 0.9 * self.width_mm:
            raise InputError(f"tab '{self.name}': stem_mm {self.stem:g}",
                             f"less than 0.9 of the width, {0.9 * self.width_mm:g} mm",
                             key="stem_mm")

    @property
    def rigid(self) -> bool:
        """Whether the tab does not bend."""
        return self.thickness_mm is None

    @property
    def stem(self) -> float:
        """Diameter of the stem, mm."""
        return STEM_SHARE * self.width_mm if self.stem_mm is None else self.stem_mm

    @property
    def rounding_mm(self) -> float:
        """Radius of the corners of a rectangle or blade, mm."""
        return 0.5 * self.width_mm if self.kind == "blade" else self.corner_mm

    @property
    def area_mm2(self) -> float:
        """Glued area, mm^2."""
        full = self.length_mm * self.width_mm
        if self.kind in ("round", "oval"):
            return 0.25 * math.pi * full
        # Four corners, each a square r^2 less a quarter circle.
        return full - (4.0 - math.pi) * self.rounding_mm**2

    def outside_mm(self, x_mm: ArrayLike, y_mm: ArrayLike) -> NDArray[np.float64]:
        """Signed distance of points (local x, y) from the tab's rim, mm, negative under the tab.

        Exact for all kinds but the ellipse, for which it is of first order near the rim.
        """
        x, y = np.abs(np.asarray(x_mm, dtype=float)), np.abs(np.asarray(y_mm, dtype=float))
        half, wide, corner = 0.5 * self.length_mm, 0.5 * self.width_mm, self.rounding_mm
        if self.kind == "round":
            return np.hypot(x, y) - half
        if self.kind == "oval":
            # f = sqrt((x/a)^2 + (y/b)^2) - 1 over |grad f|, where |grad f| = slope / size.
            size = np.hypot(x / half, y / wide)
            slope = np.hypot(x / half**2, y / wide**2)
            return (size - 1.0) * size / np.maximum(slope, 1e-9 / half)
        # Signed distance of a rectangle of half sides less the corner radius, less that radius.
        dx, dy = x - half + corner, y - wide + corner
        return (np.hypot(np.maximum(dx, 0.0), np.maximum(dy, 0.0))
                + np.minimum(np.maximum(dx, dy), 0.0) - corner)

    def covers(self, x_mm: ArrayLike, y_mm: ArrayLike) -> NDArray[np.bool_]:
        """Whether points of the tab's local plane lie under its footprint."""
        return self.outside_mm(x_mm, y_mm) <= 1e-9 * self.length_mm


def round_tab(name: str, diameter_mm: float) -> Tab:
    """Round tab of a diameter."""
    return Tab(name, "round", diameter_mm, diameter_mm)
