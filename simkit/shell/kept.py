"""Element tangents that are kept between iterations: which must be formed anew, and their sum.

A kept tangent saves the cost of forming it. It is replaced when its element has moved too far, and
only the difference to the old one is added to the matrix.
"""

from __future__ import annotations

import numba as nb


@nb.njit(cache=True, nogil=True)
def exchange(fresh, upper, places, data):
    """Replace one element's upper entries and add the difference to the matrix values ``data``.

    fresh, upper (entries,) new and kept values; places as in
    :func:`simkit.shell.kernels.scatter_upper`.
    """
    for k in range(places.size):
        at, change = places[k], fresh[k] - upper[k]
        upper[k] = fresh[k]
        if at >= 0:
            data[at] += change
        elif at < -1:
            data[-(at + 2)] += 2.0 * change


@nb.njit(cache=True)
def exchange_listed(listed, before, upper, places, data):
    """Change the matrix where the listed elements have new tangents in ``upper``.

    before (listed, m): the tangents that the matrix holds for them now.
    """
    for k in range(listed.size):
        fresh = upper[listed[k]].copy()
        upper[listed[k]] = before[k]
        exchange(fresh, upper[listed[k]], places[listed[k]], data)


@nb.njit(cache=True, nogil=True)
def moved_elements(u, points, base, size, tolerance, moved):
    """Set ``moved`` for elements whose control points moved against each other by more than
    tolerance times the element's size (so ``tolerance`` is a strain or a rotation) since the
    displacements ``base`` (elements, n_e, 3). u (n, 3) mm, size (elements,) mm. The marks of other
    elements are left as they are.
    """
    for el in range(points.shape[0]):
        far, first = tolerance * size[el], points[el, 0]
        for k in range(1, points.shape[1]):
            for c in range(3):
                gap = (u[points[el, k], c] - base[el, k, c]) - (u[first, c] - base[el, 0, c])
                if not abs(gap) <= far:  # true also for NaN
                    moved[el] = True


@nb.njit(cache=True)
def keep_places(u, points, listed, base):
    """Write the displacements of the listed elements' control points to base."""
    for el in listed:
        for k in range(points.shape[1]):
            for c in range(3):
                base[el, k, c] = u[points[el, k], c]
