"""Readings of a damaged panel, and the deviations of a computed panel at the same places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from simkit.dent.field import DepthField
from simkit.mechanics.model import State
from simkit.repair.workpiece import Workpiece

Array = NDArray[np.float64]
MOST_READINGS = 400
"""Largest number of readings used for a search; more do not improve the few unknowns."""
FEWEST_READINGS = 12
"""Number of readings below which the interpolated field is used instead."""
FIELD_PLACES_PER_SIDE = 19
"""Places along each side of the damage's box at which a field is evaluated."""


@dataclass(frozen=True)
class Readings:
    """Places (n,) in the x, y plane, mm, and the deviations read there, mm."""

    x_mm: Array
    y_mm: Array
    d_mm: Array

    @property
    def deepest(self) -> int:
        """Index of the largest deviation, low or high."""
        return int(np.argmax(np.abs(self.d_mm)))

    @property
    def depth_mm(self) -> float:
        """Magnitude of the largest deviation, mm."""
        return float(np.abs(self.d_mm).max())


def readings_of(depth: DepthField) -> Readings:
    """The readings from which a depth field was made; a grid over the damage if there are none.

    Between readings the field has an error of 1 to 2 % of a deep dent's depth, so it is evaluated
    at the readings only, where it agrees with them within their noise.
    """
    places = depth.places_mm
    if depth.quality.n_data >= FEWEST_READINGS and len(places) >= FEWEST_READINGS:
        places = places[:: -(-len(places) // MOST_READINGS)]
        x, y = places[:, 0], places[:, 1]
    else:
        x0, x1, y0, y1 = depth.box_mm
        x, y = (a.ravel() for a in np.meshgrid(np.linspace(x0, x1, FIELD_PLACES_PER_SIDE),
                                               np.linspace(y0, y1, FIELD_PLACES_PER_SIDE)))
    return Readings(x, y, depth(x, y))


@dataclass(frozen=True)
class Reader:
    """Evaluates the deviation of a panel at the places of readings.

    matrix (n, control points); normal (n, 3) of the undamaged panel; ``on`` (readings,): places
    that are on the panel.
    """

    matrix: sp.csr_matrix
    normal: Array
    on: NDArray[np.bool_]

    def __call__(self, state: State) -> Array:
        """Deviation at the places on the panel, mm."""
        return ((self.matrix @ state.displacement) * self.normal).sum(axis=1)


def reader_for(work: Workpiece, readings: Readings) -> Reader:
    """The reader for the mesh of a workpiece."""
    patch = work.model.patch
    u, v, on = patch.locate(readings.x_mm, readings.y_mm)
    return Reader(patch.evaluation(u[on], v[on]), patch.normals(u[on], v[on]), on)
