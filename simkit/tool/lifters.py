"""Lifters: a frame that stands with its feet on the panel and pulls a tab up."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simkit.errors import InputError
from simkit.tool.tabs import Tab


@dataclass(frozen=True)
class Lifter:
    """A small lifter with two or four feet.

    Attributes
    ----------
    name : as printed in tables. span_mm : distance of the feet along its beam, the tab in the
        middle; width_mm : distance of two feet at each end, zero for one.
    pad_mm : diameter of a foot's pad; pad_N_per_mm : its stiffness.
    """

    name: str
    span_mm: float
    width_mm: float = 0.0
    pad_mm: float = 20.0
    pad_N_per_mm: float = 2000.0

    def __post_init__(self) -> None:
        for key in ("span_mm", "pad_mm", "pad_N_per_mm"):
            if not 0.0 < getattr(self, key) < math.inf:
                raise InputError(f"lifter '{self.name}': {key} {getattr(self, key):g}",
                                 "a positive number", key=key)
        if self.width_mm != 0.0 and not self.pad_mm < self.width_mm < math.inf:
            raise InputError(f"lifter '{self.name}': width_mm {self.width_mm:g}",
                             f"0, or more than a pad, {self.pad_mm:g} mm", key="width_mm")

    def feet(self) -> list[tuple[float, float]]:
        """Places of the feet along and across the beam, mm, from the tab."""
        half, wide = 0.5 * self.span_mm, 0.5 * self.width_mm
        across = (-wide, wide) if wide else (0.0,)
        return [(u, v) for u in (-half, half) for v in across]

    def clears(self, tab: Tab) -> bool:
        """Whether a tab fits between the feet."""
        # Largest distance of the tab's rim from its centre: half the diagonal, or half the length.
        reach = 0.5 * math.hypot(tab.length_mm, tab.width_mm) if tab.kind not in (
            "round", "oval") else 0.5 * tab.length_mm
        return reach + 0.5 * self.pad_mm < math.hypot(0.5 * self.span_mm, 0.5 * self.width_mm)
