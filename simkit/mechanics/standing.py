"""Standing loads: held tools that go on acting on the sheet while others work.

A held tool is a potential of the sheet's displacement: a nodal force that follows the sheet and
keeps its size, a bed of springs between sheet and tool, or both. The state carries it, the model
subtracts its forces from the internal ones, and loading, forecast, release and the books of energy
go on as without it.
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
as the sheet comes (a spring of stated stiffness); with the travel kept (a lifter that rests)."""


@dataclass(frozen=True)
class Standing:
    """One held tool.

    Attributes
    ----------
    name : by which it is let down.
    nodal : (control points, 3) force on the sheet that does not change, N.
    x_mm, y_mm : its place on the plan.
    radius_mm : of the place on the outer face that it covers; zero from behind.
    way : one of :data:`WAYS`.
    bed : springs between sheet and tool besides; None for a following hold.
    """

    name: str
    nodal: Array
    x_mm: float
    y_mm: float
    radius_mm: float = 0.0
    way: str = "following"
    bed: SpringSet | None = None

    def __post_init__(self) -> None:
        self.nodal.setflags(write=False)

    def add(self, control: Array, displacement: Array, points: Ints, places: NDArray[np.int32],
            force: Array, data: Array, tangent: bool) -> float:
        """Take its force on the sheet from ``force`` (control points, 3) and add its tangent to
        the matrix data; returns its potential, N mm, zero for a dead force on the virgin sheet."""
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
    """Standing loads as arrays for a file; empty for none."""
    if not standing:
        return {}
    arrays = {"held_names": np.array([held.name for held in standing]),
              "held_ways": np.array([held.way for held in standing]),
              "held_places": np.array([(held.x_mm, held.y_mm, held.radius_mm)
                                       for held in standing]),
              "held_nodal": np.array([held.nodal for held in standing])}
    for k, held in enumerate(standing):
        if held.bed is not None:
            arrays |= {f"bed{k}_{key}": np.asarray(getattr(held.bed, key)) for key in BED_KEYS}
    return arrays


def standing_from(arrays: Mapping[str, Array]) -> tuple[Standing, ...]:
    """What :func:`standing_arrays` wrote; KeyError or ValueError for anything else."""
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
        found.append(Standing(str(name), np.array(nodal), x, y, radius, str(way), bed))
    return tuple(found)


BED_KEYS = ("element", "shape", "stiffness", "rest", "normal", "one_sided")
