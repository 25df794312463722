"""Rigs for several tabs: a beam that draws a row of them up, a spreader that draws two apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.tool.tabs import Tab

Array = NDArray[np.float64]
BeamWay = Literal["rocking", "parallel", "even"]
FEWEST_TABS, MOST_TABS = 2, 6


@dataclass(frozen=True)
class Beam:
    """A rigid beam over a row of equal tabs, drawn up by a screw in its middle.

    Attributes
    ----------
    name : as printed in tables. tabs : number of tabs; spacing_mm : distance of neighbours.
    way : rocking: hinged on its screw, so it tilts until the moments about the screw balance;
        parallel: guided, all tabs travel alike; even: a linkage that loads all tabs alike.
    """

    name: str
    tabs: int
    spacing_mm: float
    way: BeamWay = "rocking"

    def __post_init__(self) -> None:
        if not FEWEST_TABS <= self.tabs <= MOST_TABS:
            raise InputError(f"beam '{self.name}' with {self.tabs} tabs",
                             f"from {FEWEST_TABS} to {MOST_TABS}", key="tabs")
        _positive("beam", self.name, "spacing_mm", self.spacing_mm)
        if self.way not in get_args(BeamWay):
            raise InputError(f"beam '{self.name}': way '{self.way}'",
                             "one of " + ", ".join(get_args(BeamWay)), key="way")

    def offsets(self) -> Array:
        """Places of the tabs along the beam, mm, from the screw."""
        return np.linspace(-0.5, 0.5, self.tabs) * (self.tabs - 1) * self.spacing_mm

    def ways(self) -> Array:
        """Motion of each tab along the pull per unknown of the beam, (tabs, f), mm/mm.

        The beam's unknowns are free: their forces are in equilibrium. A tilt balances moments; the
        differences of neighbours, whose sum is zero, make all forces equal.
        """
        if self.way == "rocking":
            at = self.offsets()
            return at[:, None] / float(at[-1])
        if self.way == "even":
            return np.asarray(np.eye(self.tabs, self.tabs - 1)
                              - np.eye(self.tabs, self.tabs - 1, -1), dtype=np.float64)
        return np.zeros((self.tabs, 0))

    def row(self, tab: Tab) -> Tab:
        """The rectangle that the row of tabs covers; raises InputError if tabs overlap."""
        if tab.length_mm >= self.spacing_mm:
            raise InputError(
                f"tab '{tab.name}' on beam '{self.name}', tabs {self.spacing_mm:g} mm apart",
                f"a tab shorter than that; this one is {tab.length_mm:g} mm long", key="beam")
        return Tab(tab.name, "strip", (self.tabs - 1) * self.spacing_mm + tab.length_mm,
                   tab.width_mm)


@dataclass(frozen=True)
class Spreader:
    """A screw between two equal tabs, which draws them apart along the sheet.

    Attributes
    ----------
    name : as printed in tables. apart_mm : distance of the tabs' middles.
    height_mm : height of the screw above the glued faces.
    """

    name: str
    apart_mm: float
    height_mm: float = 10.0

    def __post_init__(self) -> None:
        _positive("spreader", self.name, "apart_mm", self.apart_mm)
        if not 0.0 <= self.height_mm < math.inf:
            raise InputError(f"spreader '{self.name}': height_mm {self.height_mm:g}",
                             "zero or more", key="height_mm")

    def offsets(self) -> Array:
        """Places of the two tabs along the screw, mm, from its middle."""
        return self.apart_mm * np.array([-0.5, 0.5])

    def check(self, tab: Tab) -> None:
        """Raise InputError if two of these tabs would overlap."""
        if tab.length_mm >= self.apart_mm:
            raise InputError(
                f"tab '{tab.name}' on spreader '{self.name}', {self.apart_mm:g} mm apart",
                f"a tab shorter than that; this one is {tab.length_mm:g} mm long", key="spreader")


def _positive(sort: str, name: str, key: str, value: float) -> None:
    if not 0.0 < value < math.inf:
        raise InputError(f"{sort} '{name}': {key} {value:g}", "a positive number", key=key)
