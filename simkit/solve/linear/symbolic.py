"""Symbolic analysis of a pattern: supernodes, their tree, and the place of every number.

A supernode is a run of equations eliminated together in a dense front. Its border holds the later
equations that it couples to, either in the pattern or by fill-in from its children; its parent is
the supernode of the first of them (elimination tree on the actual pattern; Liu 1990, MEMORY). The
factorisation is therefore correct for any symmetric pattern, whatever its coordinates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.solve.linear.dissection import dissect, point_graph
from simkit.solve.linear.pattern import Pattern


class Tree(NamedTuple):
    """Dense supernodes in order of elimination; a position is a number in that order.

    Attributes
    ----------
    order, position : (n,) equation at each position, and position of each equation.
    first : (supernodes + 1,) first position of each supernode.
    parent : (supernodes,) supernode to which the update of this one is added, -1 for a root.
    child_ptr, child : children of supernode s are child[child_ptr[s]:child_ptr[s + 1]].
    border_ptr, border : positions of the border of each supernode, increasing.
    run_ptr, runs : runs (place in the border, place in the parent's front, length) that add
        the update of a supernode to its parent; (number, 3).
    entry_ptr, entry_from, entry_to : values of each supernode: index in the data, place in the
        front's pivot columns.
    panel_ptr : (supernodes + 1,) start of each supernode's panel, see `products`.

    The rows of a front are its pivots, then its border, each filled up to a multiple of eight.
    """

    order: np.ndarray
    position: np.ndarray
    first: np.ndarray
    parent: np.ndarray
    child_ptr: np.ndarray
    child: np.ndarray
    border_ptr: np.ndarray
    border: np.ndarray
    run_ptr: np.ndarray
    runs: np.ndarray
    entry_ptr: np.ndarray
    entry_from: np.ndarray
    entry_to: np.ndarray
    panel_ptr: np.ndarray

    @property
    def pivots(self) -> np.ndarray:
        """Number of equations eliminated in each supernode, (supernodes,)."""
        return np.diff(self.first)

    @property
    def borders(self) -> np.ndarray:
        """Number of border equations of each supernode, (supernodes,)."""
        return np.diff(self.border_ptr)

    @property
    def rows(self) -> np.ndarray:
        """Number of rows of each front, (supernodes,)."""
        return eights(self.pivots) + eights(self.borders)

    def work(self) -> np.ndarray:
        """Floating-point operations of each supernode's elimination, (supernodes,)."""
        front = (self.pivots + self.borders).astype(float)
        return (front**3 - self.borders.astype(float) ** 3) / 3.0


def eights(number: np.ndarray) -> np.ndarray:
    """Return the next multiple of eight."""
    return (number + 7) // 8 * 8


def analyse(pattern: Pattern, leaf: int) -> Tree:
    """Return the tree of supernodes; all but the separators hold at most `leaf` equations."""
    indptr = pattern.indptr.astype(np.int64)
    indices = pattern.indices.astype(np.int64)
    xy = pattern.coords.astype(np.int64)
    ranks = [np.unique(xy[:, axis], return_inverse=True) for axis in (0, 1)]
    xy = np.column_stack([rank.reshape(-1) for _, rank in ranks])
    span = int(xy[:, 1].max(initial=0)) + 1
    keys, point = np.unique(xy[:, 0] * span + xy[:, 1], return_inverse=True)
    point = point.reshape(-1)
    grid = np.column_stack([keys // span, keys % span])
    weight = np.bincount(point, minlength=keys.size).astype(np.int64)

    start, neighbour = point_graph(indptr, indices, point, keys.size)
    places, starts = dissect(grid, weight.astype(float), start, neighbour, float(leaf))
    rank_of_point = np.empty_like(places)
    rank_of_point[places] = np.arange(places.size)
    order = np.argsort(rank_of_point[point], kind="stable")
    position = np.empty_like(order)
    position[order] = np.arange(order.size)

    supernode_points = np.flatnonzero(starts)
    eq_start = np.concatenate([[0], np.cumsum(weight[places])])
    first = eq_start[supernode_points]
    border_ptr, border_points, parent = _borders(
        supernode_points, places, rank_of_point, start, neighbour
    )
    sizes = np.diff(eq_start)
    lengths = np.add.reduceat(
        np.append(sizes[border_points], 0), np.minimum(border_ptr[:-1], border_points.size)
    ) * (np.diff(border_ptr) > 0)
    eq_border_ptr = np.concatenate([[0], np.cumsum(lengths)])
    border = _expand(border_points, eq_start, int(eq_border_ptr[-1]))
    return _placed(
        order, position, first, parent, eq_border_ptr, border, indptr, indices
    )


def _placed(
    order: np.ndarray,
    position: np.ndarray,
    first: np.ndarray,
    parent: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
    indptr: np.ndarray,
    indices: np.ndarray,
) -> Tree:
    """Complete the tree: children, runs into the parents, places of the values."""
    supernodes = parent.size
    inner = np.flatnonzero(parent >= 0)
    child = inner[np.argsort(parent[inner], kind="stable")]
    child_ptr = np.concatenate([[0], np.cumsum(np.bincount(parent[inner], minlength=supernodes))])
    pivots = np.diff(first)
    rows = eights(pivots) + eights(np.diff(border_ptr))
    panel_ptr = np.concatenate([[0], np.cumsum(pivots * rows)])
    run_ptr, runs = _runs(first, parent, border_ptr, border)
    supernode_of = np.repeat(np.arange(supernodes), pivots)
    entry_ptr, entry_from, entry_to = _entries(
        indptr, indices, position, supernode_of, first, border_ptr, border
    )
    return Tree(
        order=order,
        position=position,
        first=first,
        parent=parent,
        child_ptr=child_ptr,
        child=child,
        border_ptr=border_ptr,
        border=border,
        run_ptr=run_ptr,
        runs=runs,
        entry_ptr=entry_ptr,
        entry_from=entry_from,
        entry_to=entry_to,
        panel_ptr=panel_ptr,
    )


@njit(cache=True)
def sort_in_place(values: np.ndarray, count: int) -> None:
    """Sort the first `count` values in place.

    Shell's method: the lists are short, and numba's own sort takes long to compile.
    """
    gap = count // 2
    while gap > 0:
        for i in range(gap, count):
            value, k = values[i], i
            while k >= gap and values[k - gap] > value:
                values[k] = values[k - gap]
                k -= gap
            values[k] = value
        gap //= 2


@njit(cache=True)
def _borders(
    supernode_points: np.ndarray,
    places: np.ndarray,
    rank: np.ndarray,
    start: np.ndarray,
    neighbour: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (start, points, parent): the border of each supernode, as points in the order of
    elimination, and its parent. It is the union of couplings and of the children's borders."""
    supernodes = supernode_points.size - 1
    supernode_of = np.empty(places.size, np.int64)
    for s in range(supernodes):
        supernode_of[supernode_points[s] : supernode_points[s + 1]] = s
    parent = np.full(supernodes, -1, np.int64)
    first_child = np.full(supernodes, -1, np.int64)
    next_child = np.full(supernodes, -1, np.int64)
    ptr = np.zeros(supernodes + 1, np.int64)
    border = np.empty(16 * places.size + 16, np.int64)
    seen = np.full(places.size, -1, np.int64)
    found = np.empty(places.size, np.int64)
    for s in range(supernodes):
        count = 0
        end = supernode_points[s + 1]
        for place in range(supernode_points[s], end):
            q = places[place]
            for k in range(start[q], start[q + 1]):
                r = rank[neighbour[k]]
                if r >= end and seen[r] != s:
                    seen[r] = s
                    found[count] = r
                    count += 1
        c = first_child[s]
        while c >= 0:
            for k in range(ptr[c], ptr[c + 1]):
                r = border[k]
                if r >= end and seen[r] != s:
                    seen[r] = s
                    found[count] = r
                    count += 1
            c = next_child[c]
        ptr[s + 1] = ptr[s] + count
        if ptr[s + 1] > border.size:
            more = np.empty(2 * border.size + count, np.int64)
            for k in range(ptr[s]):
                more[k] = border[k]
            border = more
        sort_in_place(found, count)
        for k in range(count):
            border[ptr[s] + k] = found[k]
        if count > 0:
            p = supernode_of[border[ptr[s]]]
            parent[s] = p
            next_child[s] = first_child[p]
            first_child[p] = s
    return ptr, border[: ptr[supernodes]].copy(), parent


@njit(cache=True)
def _expand(points: np.ndarray, eq_start: np.ndarray, size: int) -> np.ndarray:
    """Return the equations (positions) of a list of points."""
    result = np.empty(size, np.int64)
    count = 0
    for p in points:
        for i in range(eq_start[p], eq_start[p + 1]):
            result[count] = i
            count += 1
    return result


@njit(cache=True)
def _runs(
    first: np.ndarray, parent: np.ndarray, border_ptr: np.ndarray, border: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return (start, runs): parts of each border that are contiguous in the parent's front too.

    No run extends from the parent's pivots into its border.
    """
    supernodes = parent.size
    ptr = np.zeros(supernodes + 1, np.int64)
    runs = np.empty((border.size + 1, 3), np.int64)
    local = np.empty(first[supernodes], np.int64)
    count = 0
    for s in range(supernodes):
        p = parent[s]
        if p >= 0:
            pivots = first[p + 1] - first[p]
            own = (pivots + 7) // 8 * 8
            for i in range(pivots):
                local[first[p] + i] = i
            for k in range(border_ptr[p], border_ptr[p + 1]):
                local[border[k]] = own + k - border_ptr[p]
            open_run = False
            for k in range(border_ptr[s], border_ptr[s + 1]):
                here = local[border[k]]
                if open_run and here == local[border[k - 1]] + 1 and here != own:
                    runs[count - 1, 2] += 1
                else:
                    runs[count, 0] = k - border_ptr[s]
                    runs[count, 1] = here
                    runs[count, 2] = 1
                    count += 1
                    open_run = True
        ptr[s + 1] = count
    return ptr, runs[:count].copy()


@njit(cache=True)
def _entries(
    indptr: np.ndarray,
    indices: np.ndarray,
    position: np.ndarray,
    supernode_of: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (start, from, to): `Tree.entry_ptr`, `entry_from` and `entry_to`."""
    n, supernodes = position.size, first.size - 1
    ptr = np.zeros(supernodes + 1, np.int64)
    for i in range(n):
        for k in range(indptr[i], indptr[i + 1]):
            ptr[supernode_of[min(position[i], position[indices[k]])] + 1] += 1
    ptr = np.cumsum(ptr)
    fill = ptr[:-1].copy()
    source = np.empty(indices.size, np.int32)
    row = np.empty(indices.size, np.int32)
    column = np.empty(indices.size, np.int32)
    for i in range(n):
        for k in range(indptr[i], indptr[i + 1]):
            a, b = position[i], position[indices[k]]
            s = supernode_of[min(a, b)]
            source[fill[s]], row[fill[s]], column[fill[s]] = k, max(a, b), min(a, b)
            fill[s] += 1
    target = np.empty(indices.size, np.int32)
    local = np.empty(n, np.int64)
    for s in range(supernodes):
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8 * 8
        rows = own + (border_ptr[s + 1] - border_ptr[s] + 7) // 8 * 8
        for i in range(pivots):
            local[first[s] + i] = i
        for k in range(border_ptr[s], border_ptr[s + 1]):
            local[border[k]] = own + k - border_ptr[s]
        for e in range(ptr[s], ptr[s + 1]):
            target[e] = local[row[e]] + (column[e] - first[s]) * rows
    return ptr, source, target
