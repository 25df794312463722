"""Nested dissection by grid coordinates: the order of elimination and its dense supernodes.

George 1973 (nested dissection of a regular mesh; MEMORY): a separator of control points that
divides the grid into two halves is eliminated last; each half is divided in the same way. The
separator is found from the actual couplings, so merged or missing equations only change its width,
never the correctness of the solution.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def stable_order(values: np.ndarray) -> np.ndarray:
    """Return the order that sorts non-negative integers (stable counting sort)."""
    largest = 0
    for value in values:
        largest = max(largest, value)
    count = np.zeros(largest + 2, np.int64)
    for value in values:
        count[value + 1] += 1
    for v in range(1, count.size):
        count[v] += count[v - 1]
    order = np.empty(values.size, np.int64)
    for i in range(values.size):
        order[count[values[i]]] = i
        count[values[i]] += 1
    return order


@njit(cache=True)
def point_graph(
    indptr: np.ndarray, indices: np.ndarray, point: np.ndarray, points: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the couplings between points, in both directions, from those between equations.

    `point` (n,) gives the point of each equation. Returns (start, neighbour): neighbours of
    point q are neighbour[start[q]:start[q + 1]], possibly listed twice, q itself left out.
    """
    n = point.size
    order = stable_order(point)
    seen = np.full(points, -1, np.int64)
    one = np.empty(indices.size, np.int64)
    two = np.empty(indices.size, np.int64)
    count = 0
    for place in range(n):
        i = order[place]
        p = point[i]
        for k in range(indptr[i], indptr[i + 1]):
            q = point[indices[k]]
            if q != p and seen[q] != p:
                seen[q] = p
                one[count], two[count] = p, q
                count += 1
    start = np.zeros(points + 1, np.int64)
    for e in range(count):
        start[one[e] + 1] += 1
        start[two[e] + 1] += 1
    start = np.cumsum(start)
    fill = start.copy()
    neighbour = np.empty(2 * count, np.int64)
    for e in range(count):
        neighbour[fill[one[e]]] = two[e]
        fill[one[e]] += 1
        neighbour[fill[two[e]]] = one[e]
        fill[two[e]] += 1
    return start, neighbour


@njit(cache=True)
def _best_cut(
    members: np.ndarray,
    along: np.ndarray,
    weight: np.ndarray,
    start: np.ndarray,
    neighbour: np.ndarray,
    label: np.ndarray,
) -> tuple[float, int, np.ndarray]:
    """Find the coordinate c that divides a segment best along one axis.

    The separator of cut c holds the points below c with a neighbour at or above c. Returns the
    cost (separator weight times 1 + 2 |left - right| / (left + right); inf if there is no cut), c,
    and the largest coordinate among each member and its neighbours.
    """
    low, high = along[members[0]], along[members[0]]
    for q in members:
        low, high = min(low, along[q]), max(high, along[q])
    reach = np.empty(members.size, np.int64)
    below = np.zeros(high - low + 2)
    separator = np.zeros(high - low + 2)
    total = 0.0
    for m in range(members.size):
        q = members[m]
        far = along[q]
        for k in range(start[q], start[q + 1]):
            r = neighbour[k]
            if label[r] == label[q]:
                far = max(far, along[r])
        reach[m] = far  # the member is in the separator of all cuts from its coordinate + 1 to far
        below[along[q] - low + 1] += weight[q]
        separator[along[q] - low + 1] += weight[q]
        separator[far - low + 1] -= weight[q]
        total += weight[q]
    below, separator = np.cumsum(below), np.cumsum(separator)
    best, where = np.inf, low
    for c in range(1, high - low + 1):
        left = below[c] - separator[c]
        right = total - below[c]
        if left <= 0.0 or right <= 0.0:
            continue
        cost = separator[c] * (1.0 + 2.0 * abs(left - right) / (left + right))
        if cost < best:
            best, where = cost, low + c
    return best, where, reach


@njit(cache=True)
def _sort_members(members: np.ndarray, xy: np.ndarray, first: int) -> None:
    """Sort points by axis `first`, then by the other, so that neighbours follow each other."""
    along = np.empty(members.size, np.int64)
    copy = np.empty(members.size, np.int64)
    for turn in range(2):
        axis = 1 - first if turn == 0 else first
        for m in range(members.size):
            along[m] = xy[members[m], axis]
            copy[m] = members[m]
        order = stable_order(along)
        for m in range(members.size):
            members[m] = copy[order[m]]


@njit(cache=True)
def _divide(
    members: np.ndarray, along: np.ndarray, cut: int, reach: np.ndarray
) -> tuple[int, int]:
    """Reorder a segment in place as left, right, separator.

    Returns the positions in the segment where the right part and the separator begin.
    """
    kind = np.zeros(members.size, np.int64)
    left, right = 0, members.size
    for m in range(members.size):
        if along[members[m]] >= cut:
            kind[m] = 1
        elif reach[m] >= cut:
            kind[m] = 2
            right -= 1
        else:
            left += 1
    order = stable_order(kind)
    copy = members.copy()
    for m in range(members.size):
        members[m] = copy[order[m]]
    return left, right


@njit(cache=True)
def dissect(
    xy: np.ndarray, weight: np.ndarray, start: np.ndarray, neighbour: np.ndarray, leaf: float
) -> tuple[np.ndarray, np.ndarray]:
    """Order points by recursive bisection down to supernodes of at most `leaf` equations.

    xy (points, 2) int from 0, weight (points,) equations a point. Returns the points in order
    of elimination and a mask (points + 1,) that is true where a supernode starts, and at the end.
    """
    points = weight.size
    order = np.arange(points)
    starts = np.zeros(points + 1, np.bool_)
    starts[points] = True
    label = np.zeros(points, np.int64)
    labels = 1
    todo = np.empty((points + 2, 2), np.int64)
    todo[0, 0], todo[0, 1] = 0, points
    waiting = 1
    across, along = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    while waiting > 0:
        waiting -= 1
        lo, hi = todo[waiting, 0], todo[waiting, 1]
        members = order[lo:hi]
        starts[lo] = True
        axis, cut, cost = 0, 0, np.inf
        reach = members
        total = 0.0
        for q in members:
            total += weight[q]
        if total > leaf:
            cost, cut, reach = _best_cut(members, across, weight, start, neighbour, label)
            cost1, cut1, reach1 = _best_cut(members, along, weight, start, neighbour, label)
            if cost1 < cost:
                axis, cost, cut, reach = 1, cost1, cut1, reach1
        if cost == np.inf:
            _sort_members(members, xy, 0)
            continue
        left, right = _divide(members, across if axis == 0 else along, cut, reach)
        _sort_members(members[right:], xy, 1 - axis)
        for m in range(right):
            label[members[m]] = labels if m < left else labels + 1
        labels += 2
        if right < hi - lo:
            starts[lo + right] = True
        todo[waiting, 0], todo[waiting, 1] = lo, lo + left
        todo[waiting + 1, 0], todo[waiting + 1, 1] = lo + left, lo + right
        waiting += 2
    return order, starts
