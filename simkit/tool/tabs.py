"""Glue tabs: the footprint that is glued to the panel and pulled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError

TabKind = Literal["round", "oval", "strip"]


@dataclass(frozen=True)
class Tab:
    """Glue tab.

    Attributes
    ----------
    name : as printed in tables.
    kind : round (disc), oval (ellipse) or strip (rectangle).
    length_mm : size along local x; the diameter of a round tab.
    width_mm : size along local y; equal to the length for a round tab.
    thickness_mm : of the tab, from its glued face to the pull point; None if it does not matter.
    stiffness_N_per_mm : along the pull axis between glue face and puller; None is rigid.
    """

    name: str
    kind: TabKind
    length_mm: float
    width_mm: float
    thickness_mm: float | None = None
    stiffness_N_per_mm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(TabKind):
            raise InputError(f"tab kind '{self.kind}'", "one of " + ", ".join(get_args(TabKind)),
                             key="kind")
        for key in ("length_mm", "width_mm", "thickness_mm", "stiffness_N_per_mm"):
            value = getattr(self, key)
            optional = key in ("thickness_mm", "stiffness_N_per_mm")
            if not (optional and value is None) and not 0 < value < math.inf:
                raise InputError(f"tab '{self.name}': {key} {value}", "a positive number", key=key)
        if self.kind == "round" and self.length_mm != self.width_mm:
            sizes = f"{self.length_mm:g} x {self.width_mm:g} mm"
            raise InputError(f"round tab '{self.name}' of {sizes}", "one diameter, or kind: oval")

    @property
    def rigid(self) -> bool:
        """Whether the tab itself does not give along the pull axis."""
        return self.stiffness_N_per_mm is None

    @property
    def area_mm2(self) -> float:
        """Glued area, mm^2."""
        full = self.length_mm * self.width_mm
        return full if self.kind == "strip" else 0.25 * math.pi * full

    def covers(self, x_mm: ArrayLike, y_mm: ArrayLike) -> NDArray[np.bool_]:
        """Whether points of the tab's local plane lie under its footprint."""
        x = np.abs(np.asarray(x_mm, dtype=float)) / (0.5 * self.length_mm)
        y = np.abs(np.asarray(y_mm, dtype=float)) / (0.5 * self.width_mm)
        if self.kind == "strip":
            return np.maximum(x, y) <= 1.0
        return x**2 + y**2 <= 1.0


def round_tab(name: str, diameter_mm: float, thickness_mm: float | None = None,
              stiffness_N_per_mm: float | None = None) -> Tab:
    """Round tab of a diameter."""
    return Tab(name, "round", diameter_mm, diameter_mm, thickness_mm, stiffness_N_per_mm)
