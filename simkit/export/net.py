"""The sheet of a run as a mesh of quadrilateral cells, four for each finite element."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.record.read import RunRecord
from simkit.show.surface import Array, Grid, RecordedSurface, read_sheet

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Net:
    """Points on parameter lines of the patch and the cells between them.

    Attributes
    ----------
    shape : points along v and u, (nv, nu); points are numbered v * nu + u.
    plain : the undamaged panel. cells : (n, 4) points of each cell, seen from outside
        counter-clockwise. element : (n,) finite element of each cell, u * elements_v + v.
    """

    record: RunRecord
    sheet: RecordedSurface
    u: Array
    v: Array
    plain: Grid
    cells: Ints
    element: Ints

    @property
    def shape(self) -> tuple[int, int]:
        """Points along v and along u."""
        return self.v.size, self.u.size

    def state(self, step: int) -> State:
        """The sheet after a step."""
        grid = self.sheet.grid(self.u, self.v, self.sheet.moved(step))
        return State(self, step, grid)

    def states(self) -> Iterator[State]:
        """The sheet after every step, one at a time."""
        return (self.state(step.number) for step in self.record.steps)


@dataclass(frozen=True)
class State:
    """Points and normals after a step."""

    net: Net
    step: int
    grid: Grid

    @property
    def moved_mm(self) -> Array:
        """Displacement of the points since the undamaged panel, (n, 3)."""
        return (self.grid.points_mm - self.net.plain.points_mm).reshape(-1, 3)

    @property
    def d_mm(self) -> Array:
        """Deviation along the undamaged panel's normal, (n,), low < 0."""
        return (self.moved_mm * self.net.plain.normals.reshape(-1, 3)).sum(axis=1)

    def points_mm(self, exaggerate: float = 1.0) -> Array:
        """Positions of the points, (n, 3), mm, with the displacement times ``exaggerate``."""
        return self.net.plain.points_mm.reshape(-1, 3) + exaggerate * self.moved_mm

    def maps(self) -> dict[str, Array]:
        """Maps of the sheet by name, one value for each cell."""
        return {name: values.ravel()[self.net.element]
                for name, values in self.net.sheet.maps(self.step).items()}


def open_net(record: RunRecord, parts: int = 2) -> Net:
    """Net with ``parts`` cells a side of every element; InputError without a recorded surface."""
    sheet = read_sheet(record)
    u, v = (_cut(basis.breaks, parts) for basis in (sheet.patch.basis_u, sheet.patch.basis_v))
    corner = np.arange(v.size * u.size).reshape(v.size, u.size)
    # Counter-clockwise in (u, v), hence seen from the outward normal x,u cross x,v.
    cells = np.stack([corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]], axis=-1)
    in_u, in_v = np.arange(u.size - 1) // parts, np.arange(v.size - 1) // parts
    element = in_u[None, :] * sheet.patch.basis_v.elements + in_v[:, None]
    return Net(record, sheet, u, v, sheet.grid(u, v), cells.reshape(-1, 4), element.ravel())


def _cut(breaks: Array, parts: int) -> Array:
    inner = [breaks[:-1] + (breaks[1:] - breaks[:-1]) * k / parts for k in range(parts)]
    return np.append(np.stack(inner, axis=1).ravel(), breaks[-1])
