"""How a panel is held along its four sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from simkit.arguments import not_negative
from simkit.errors import InputError, one_of
from simkit.spline.patch import Patch

Ints = NDArray[np.int64]
SIDES = ("left", "right", "bottom", "top")
"""left, right: start and end of u; bottom, top: start and end of v."""


@dataclass(frozen=True)
class Edge:
    """Condition along one side.

    Attributes
    ----------
    fixed : which of the displacements x, y, z are zero.
    rotation_held : whether the sheet keeps its slope across the edge.
    symmetric : the edge lies in a plane of symmetry normal to a coordinate axis.
    guided : the edge may not move across itself within the surface (held by stiff springs); with
        ``rotation_held`` this is symmetry about a plane of any direction, as of a sector.
    pole : all control points of the edge lie in one point and move as one.
    spring_N_per_mm2 : stiffness per length of edge against displacement in any direction.
    rotation_N : stiffness per length against rotation about the edge, N mm per radian per mm.
    """

    fixed: tuple[bool, bool, bool] = (False, False, False)
    rotation_held: bool = False
    symmetric: bool = False
    guided: bool = False
    pole: bool = False
    spring_N_per_mm2: float = 0.0
    rotation_N: float = 0.0

    def __post_init__(self) -> None:
        not_negative("spring_N_per_mm2", self.spring_N_per_mm2)
        not_negative("rotation_N", self.rotation_N)


HELD = Edge((True, True, True), rotation_held=True)
HINGED = Edge((True, True, True))
FREE = Edge()
POLE = Edge(pole=True)
SECTOR = Edge(guided=True, rotation_held=True)
SYMMETRIC = Edge(symmetric=True)
EDGES = {"held": HELD, "hinged": HINGED, "free": FREE, "symmetric": SYMMETRIC}


def side_points(patch: Patch, side: str, row: int = 0) -> Ints:
    """Control points of the row-th row from a side."""
    nu, nv = patch.shape
    grid = np.arange(nu * nv).reshape(nu, nv)
    return {"left": grid[row], "right": grid[nu - 1 - row],
            "bottom": grid[:, row], "top": grid[:, nv - 1 - row]}[side]


def equations(patch: Patch, edges: dict[str, Edge]) -> Ints:
    """Equation numbers (control points, 3) under the edges' conditions; -1 where held.

    Raises
    ------
    InputError : no such side, a condition at the seam of a closed surface, or a symmetric side
        that lies in no plane of symmetry.
    """
    for side in edges:
        if side not in SIDES:
            raise InputError(f"side '{side}'", one_of(side, SIDES))
        if (patch.basis_u if side in ("left", "right") else patch.basis_v).closed:
            raise InputError(f"a condition on the {side} side", "none: the surface is closed there",
                             key=side)
    count = patch.control.shape[0]
    number = np.arange(3 * count).reshape(count, 3)
    # Displacements tied together get one equation number: symmetry, poles and seams are
    # exact constraints without multipliers or penalties.
    ties = [(number[one], number[other]) for one, other in _seams(patch)]
    held = np.zeros((count, 3), dtype=bool)
    for side, edge in edges.items():
        first, second = side_points(patch, side), side_points(patch, side, 1)
        for axis in range(3):
            if edge.fixed[axis]:
                held[first, axis] = True
        if edge.pole:
            ties.append((number[first], np.broadcast_to(number[first[0]], (first.size, 3))))
        if edge.symmetric:
            normal = symmetry_axis(patch, side)
            # Mirror symmetry at a plane: no displacement normal to it, and equal tangential
            # displacements of the first two rows, which is zero slope across the edge.
            held[first, normal] = True
            for axis in range(3):
                if axis != normal:
                    ties.append((number[first, axis], number[second, axis]))
    owner = _tied(3 * count, ties).reshape(count, 3)
    held_roots = np.zeros(3 * count, dtype=bool)
    # One held displacement holds all that are tied to it.
    held_roots[owner[held]] = True
    free = ~held_roots[owner]
    used = np.unique(owner[free])
    result = np.full((count, 3), -1, dtype=np.int64)
    result[free] = np.searchsorted(used, owner[free])
    return result


def _seams(patch: Patch) -> list[tuple[Ints, Ints]]:
    """Pairs of rows of control points of a closed surface that are the same material points."""
    grid = np.arange(patch.control.shape[0]).reshape(patch.shape)
    pairs = []
    if patch.basis_u.closed:
        pairs += [(grid[k], grid[patch.basis_u.elements + k]) for k in range(patch.degree)]
    if patch.basis_v.closed:
        pairs += [(grid[:, k], grid[:, patch.basis_v.elements + k]) for k in range(patch.degree)]
    return pairs


def _tied(count: int, ties: list[tuple[Ints, Ints]]) -> Ints:
    """Lowest index in each group of displacements that ties connect, directly or through others.

    Shape (count,): the index that stands for the group of each displacement.
    """
    if not ties:
        return np.arange(count)
    rows, columns = (np.concatenate([pair[k].ravel() for pair in ties]) for k in (0, 1))
    graph = coo_array((np.ones(rows.size), (rows, columns)), shape=(count, count))
    _, group = connected_components(graph, directed=False)
    lowest = np.full(group.max() + 1, count)
    np.minimum.at(lowest, group, np.arange(count))
    return lowest[group]


SYMMETRY_SLANT_SHARE = 0.5
"""Largest slope of the sheet against the normal of a plane of symmetry, as a ratio (about 27
degrees). It need not be zero: a panel and its mirror image may meet in a ridge."""


def symmetry_axis(patch: Patch, side: str) -> int:
    """Axis normal to the plane of symmetry that a side lies in.

    Raises
    ------
    InputError : the side lies in no plane normal to x, y or z that the surface meets squarely.
    """
    points = patch.control[side_points(patch, side)]
    size = np.ptp(patch.control, axis=0).max()
    inward = patch.control[side_points(patch, side, 1)] - points
    along = np.gradient(points, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    # Only the part square to the edge counts: control points may be offset along the edge.
    inward = inward - (inward * along).sum(1, keepdims=True) * along
    inward = np.abs(inward).mean(axis=0)
    flat = np.flatnonzero(np.ptp(points, axis=0) < 1e-9 * size)
    axis = int(flat[np.argmax(inward[flat])]) if flat.size else 0
    if flat.size == 0 or np.linalg.norm(np.delete(inward,
                                                  axis)) > SYMMETRY_SLANT_SHARE * inward[axis]:
        raise InputError(f"the {side} side is no plane of symmetry",
                         "a side in a plane normal to x, y or z, with the sheet square to it; "
                         "guided and rotation_held for a plane of any direction")
    return axis
