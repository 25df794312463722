"""The deviation field of a sheet on a regular grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from simkit.arguments import number, numbers, positive, whole
from simkit.errors import InputError
from simkit.inspection.spots import SampledField
from simkit.mechanics.model import Model, State
from simkit.mechanics.stepping.orders import Probe
from simkit.spline.patch import Patch

Array = NDArray[np.float64]
MOST_SAMPLES = 60_000
"""Largest number of grid points for a panel without narrow spots."""
MOST_FOR_SPOTS = 400_000
"""Largest number of grid points for a panel with narrow spots."""


@dataclass(frozen=True)
class Sampling:
    """Regular grid in the x, y plane on a panel.

    Attributes
    ----------
    x_mm (nx,), y_mm (ny,) : grid lines; valid (ny, nx) : points on the panel.
    matrix : (valid points, control points) shape values.
    normal : (valid points, 3) normal of the undamaged panel.
    """

    x_mm: Array
    y_mm: Array
    valid: NDArray[np.bool_]
    matrix: sp.csr_matrix
    normal: Array

    def field(self, state: State) -> SampledField:
        """Deviation along the outward normal, mm; NaN off the panel."""
        d = np.full(self.valid.shape, np.nan)
        moved = self.matrix @ state.displacement
        d[self.valid] = (moved * self.normal).sum(axis=1)
        return SampledField(self.x_mm, self.y_mm, d, self.valid)


def step_within(area_mm2: float, step_mm: float, needed_mm: float = np.inf) -> float:
    """Step of a grid, mm: ``step_mm`` with up to ``MOST_SAMPLES`` points, or the finer
    ``needed_mm`` of a spot with up to ``MOST_FOR_SPOTS`` points; else larger."""
    usual = max(step_mm, float(np.sqrt(area_mm2 / MOST_SAMPLES)))
    if needed_mm >= usual:
        return usual
    return max(needed_mm, float(np.sqrt(area_mm2 / MOST_FOR_SPOTS)))


def make_sampling(patch: Patch, extent: tuple[float, float, float, float],
                  step_mm: float, needed_mm: float = np.inf) -> Sampling:
    """Grid with about the given step over an extent (x from, to, y from, to), mm.

    ``needed_mm`` : step that the narrowest spot needs, see :func:`step_within`.

    Raises
    ------
    InputError : an invalid extent or step.
    """
    x0, x1, y0, y1 = numbers("extent", extent, (4,))
    positive("step_mm", step_mm)
    if not (x0 < x1 and y0 < y1):
        raise InputError(f"extent {x0:g} to {x1:g} mm, {y0:g} to {y1:g} mm",
                         "from the smaller to the larger")
    step = step_within((x1 - x0) * (y1 - y0), step_mm, needed_mm)
    x = np.linspace(x0, x1, max(3, round((x1 - x0) / step) + 1))
    return sampling_at(patch, x, np.linspace(y0, y1, max(3, round((y1 - y0) / step) + 1)))


def sampling_at(patch: Patch, x: Array, y: Array) -> Sampling:
    """The grid with the given lines x (nx,), y (ny,), mm, on a panel."""
    xx, yy = np.meshgrid(x, y)
    u, v, inside = patch.locate(xx.ravel(), yy.ravel())
    valid = inside.reshape(xx.shape)
    u, v = u[inside], v[inside]
    return Sampling(x, y, valid, patch.evaluation(u, v), patch.normals(u, v))


def point_on(model: Model, state: State, x_mm: float, y_mm: float) -> tuple[Array, Array]:
    """Present position (3,) and undamaged normal (3,) of the sheet at a plan position.

    Raises
    ------
    InputError : a place off the panel.
    """
    u, v = _located(model.patch, x_mm, y_mm)
    row = model.patch.evaluation(u, v)
    place = row @ (model.patch.control + state.displacement)
    return place[0], model.patch.normals(u, v)[0]


def probe_at(model: Model, x_mm: float, y_mm: float) -> Probe:
    """Deviation at a plan position.

    Raises
    ------
    InputError : a place off the panel.
    """
    u, v = _located(model.patch, x_mm, y_mm)
    row = model.patch.evaluation(u, v)
    normal = model.patch.normals(u, v)[0]
    # d = n . sum_i N_i u_i: the probe holds the control points i and the vectors N_i n
    return Probe(row.indices.astype(np.int64), row.data[:, None] * normal)


@dataclass(frozen=True)
class Profile:
    """A straight section.

    Attributes
    ----------
    along_mm : (n,) distance from its start in the x, y plane; x_mm, y_mm : (n,) places.
    deviation_mm : (n,) along the outward normal; height_mm : (n,) z of the deformed mid-surface.
    """

    along_mm: Array
    x_mm: Array
    y_mm: Array
    deviation_mm: Array
    height_mm: Array


def profile_between(model: Model, state: State, start: tuple[float, float],
                    end: tuple[float, float], count: int = 201) -> Profile:
    """Deviation and height of the sheet along a straight line from start to end (x, y), mm.

    Raises
    ------
    InputError : an end off the panel (places in between that are off it become NaN), or two equal
        ends.
    """
    ends = np.array([numbers("start", start, (2,)), numbers("end", end, (2,))])
    length = positive("length of the profile", float(np.linalg.norm(ends[1] - ends[0])))
    for x, y in ends:
        _located(model.patch, float(x), float(y))
    share = np.linspace(0.0, 1.0, whole("count", count, 2))
    x, y = (ends[0] + share[:, None] * (ends[1] - ends[0])).T
    u, v, inside = model.patch.locate(x, y)
    matrix = model.patch.evaluation(u, v)
    moved, normal = matrix @ state.displacement, model.patch.normals(u, v)
    deviation = np.where(inside, (moved * normal).sum(axis=1), np.nan)
    height = np.where(inside, (matrix @ (model.patch.control + state.displacement))[:, 2], np.nan)
    return Profile(share * length, x, y, deviation, height)


def _located(patch: Patch, x_mm: float, y_mm: float) -> tuple[Array, Array]:
    """Parameters of one plan position, each (1,)."""
    x, y = number("x_mm", x_mm), number("y_mm", y_mm)
    u, v, inside = patch.locate_one(x, y)
    if not inside:
        low, high = patch.control[:, :2].min(axis=0), patch.control[:, :2].max(axis=0)
        raise InputError(f"x {x:g} mm, y {y:g} mm is off the panel",
                         f"a place on it; it reaches from x {low[0]:g} to {high[0]:g} mm and from "
                         f"y {low[1]:g} to {high[1]:g} mm")
    return u, v
