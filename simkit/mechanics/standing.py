"""Standing loads: held tools that continue to act on the sheet while other tools work.

A held tool is a potential of the sheet's displacement: constant nodal forces, a bed of springs
between sheet and tool, or both. It is part of the state, and the model subtracts its forces from
the internal ones. Loading, release prediction, release and energy balance need no further change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.shell.springs import SpringSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
WAYS = ("following", "springy", "locked")
"""Ways to hold: with a constant force (a hand, a weight, a soft spring); with a force that falls
as the sheet moves towards the tool (a spring of given stiffness); at a fixed position."""


@dataclass(frozen=True)
class Standing:
    """One held tool.

    Attributes
    ----------
    name : name under which it is let down.
    nodal : (control points, 3) constant force on the sheet, N.
    x_mm, y_mm : position in the x, y plane.
    radius_mm : radius that it covers on the outer face; zero for a tool behind the panel.
    way : one of :data:`WAYS`.
    bed : springs between sheet and tool; None for a following hold.
    more : (x, y, radius) that further tabs of a rig cover, mm.
    tension_N : of a spreader between two tabs, whose forces have no resultant; else zero.
    """

    name: str
    nodal: Array
    x_mm: float
    y_mm: float
    radius_mm: float = 0.0
    way: str = "following"
    bed: SpringSet | None = None
    more: tuple[tuple[float, float, float], ...] = ()
    tension_N: float = 0.0

    def __post_init__(self) -> None:
        self.nodal.setflags(write=False)

    def covers(self, x_mm: float, y_mm: float) -> tuple[float, float, float] | None:
        """The circle (x, y, radius), mm, of a held tab over a place of the outer face, if any."""
        for x, y, radius in ((self.x_mm, self.y_mm, self.radius_mm), *self.more):
            if np.hypot(x_mm - x, y_mm - y) < radius:
                return x, y, radius
        return None

    def add(self, control: Array, displacement: Array, points: Ints, places: NDArray[np.int32],
            force: Array, data: Array, tangent: bool) -> float:
        """Subtract its force on the sheet from ``force`` (control points, 3), add its tangent to
        the matrix data and return its potential, N mm.

        The potential of the constant force is zero at zero displacement.
        """
        force -= self.nodal
        potential = -float((self.nodal * displacement).sum())
        if self.bed is not None:
            potential += self.bed.add(control + displacement, points, places, force, data, tangent)
        return potential

    def on_sheet(self, control: Array, displacement: Array, points: Ints) -> Array:
        """Its force on the sheet at a displacement, (control points, 3), N."""
        force = np.zeros_like(self.nodal)
        self.add(control, displacement, points, np.empty((0, 0), dtype=np.int32), force,
                 np.empty(1), False)
        return -force


def standing_arrays(standing: tuple[Standing, ...]) -> dict[str, Array]:
    """Standing loads as named arrays for a file; empty if there are none."""
    if not standing:
        return {}
    arrays = {"held_names": np.array([held.name for held in standing]),
              "held_ways": np.array([held.way for held in standing]),
              "held_places": np.array([(held.x_mm, held.y_mm, held.radius_mm)
                                       for held in standing]),
              "held_nodal": np.array([held.nodal for held in standing])}
    for k, held in enumerate(standing):
        if held.more:
            arrays |= {f"more{k}": np.array(held.more),
                       f"tension{k}": np.array(held.tension_N)}
        if held.bed is not None:
            arrays |= {f"bed{k}_{key}": np.asarray(getattr(held.bed, key)) for key in BED_KEYS}
    return arrays


def standing_from(arrays: Mapping[str, Array]) -> tuple[Standing, ...]:
    """Standing loads from the arrays of :func:`standing_arrays`.

    Raises KeyError or ValueError if the arrays are not of that form.
    """
    if "held_names" not in arrays:
        return ()
    found = []
    for k, (name, way, place, nodal) in enumerate(zip(
            arrays["held_names"], arrays["held_ways"], arrays["held_places"],
            arrays["held_nodal"], strict=True)):
        bed = None
        if f"bed{k}_element" in arrays:
            element, shape, stiffness, rest, normal, one_sided = (
                np.array(arrays[f"bed{k}_{key}"]) for key in BED_KEYS)
            bed = SpringSet(element.astype(np.int64), shape, stiffness, rest, normal,
                            bool(one_sided))
        x, y, radius = (float(number) for number in place)
        more = tuple((float(a), float(b), float(c))
                     for a, b, c in arrays.get(f"more{k}", np.empty((0, 3))))
        found.append(Standing(str(name), np.array(nodal), x, y, radius, str(way), bed, more,
                              float(arrays.get(f"tension{k}", 0.0))))
    return tuple(found)


BED_KEYS = ("element", "shape", "stiffness", "rest", "normal", "one_sided")
