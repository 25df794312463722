"""What goes with element tangents that are kept: which have to be formed anew, and their sum."""

from __future__ import annotations

import numba as nb


@nb.njit(cache=True, nogil=True)
def exchange(fresh, upper, places, data):
    """Put one element's upper entries in place of those it had, also in the matrix."""
    for k in range(places.size):
        at, change = places[k], fresh[k] - upper[k]
        upper[k] = fresh[k]
        if at >= 0:
            data[at] += change
        elif at < -1:
            data[-(at + 2)] += 2.0 * change


@nb.njit(cache=True)
def exchange_listed(listed, before, upper, places, data):
    """Change the matrix where elements have new tangents; before (listed, m) those they had."""
    for k in range(listed.size):
        fresh = upper[listed[k]].copy()
        upper[listed[k]] = before[k]
        exchange(fresh, upper[listed[k]], places[listed[k]], data)


@nb.njit(cache=True, nogil=True)
def moved_elements(u, points, base, size, tolerance, moved):
    """Mark elements whose control points have moved apart by more than tolerance (a strain or a
    rotation) since base (elements, n_e, 3); u (n, 3) mm, size (elements,) mm. Leaves others."""
    for el in range(points.shape[0]):
        far, first = tolerance * size[el], points[el, 0]
        for k in range(1, points.shape[1]):
            for c in range(3):
                gap = (u[points[el, k], c] - base[el, k, c]) - (u[first, c] - base[el, 0, c])
                if not abs(gap) <= far:
                    moved[el] = True


@nb.njit(cache=True)
def keep_places(u, points, listed, base):
    """Write the displacements of the listed elements' control points to base."""
    for el in listed:
        for k in range(points.shape[1]):
            for c in range(3):
                base[el, k, c] = u[points[el, k], c]
