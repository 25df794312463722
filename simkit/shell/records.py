"""Named arguments of the kernels of elements and springs."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


class ElementGrid(NamedTuple):
    """Reference data of all elements.

    Attributes
    ----------
    count_v, elements_v : control points and elements along v.
    shape_u, shape_v : (elements along the direction, Gauss points, degree + 1, 3) shape functions
        with their first and second derivatives.
    metric, curvature : (elements, points, 3) covariant components 11, 22, 12.
    frame : (elements, points, 3, 3) matrices from covariant components to (s, d, g).
    area, thickness : (elements, points), mm^2 and mm.
    places : (elements, entries) where the upper triangle of each tangent goes in the matrix.
    """

    count_v: int
    elements_v: int
    shape_u: Array
    shape_v: Array
    metric: Array
    curvature: Array
    frame: Array
    area: Array
    thickness: Array
    places: NDArray[np.int32]


class LayerRule(NamedTuple):
    """Heights and weights of the layers, in units of the thickness, and the packed sheet law."""

    heights: Array
    weights: Array
    law: Array


class ElementSums(NamedTuple):
    """Results that the element kernel writes.

    Attributes
    ----------
    force : (control points, 3) N; element forces are added to it.
    energy : (elements, 2) elastic energy and plastic work, N mm.
    data : matrix values, to which tangents are added where ``upper`` has no rows.
    upper : (elements, entries) upper triangles of the tangents, or no rows.
    """

    force: Array
    energy: Array
    data: Array
    upper: Array


class Scratch(NamedTuple):
    """Scratch of one element of n control points.

    shape (6, n) and place (6, 3) as :func:`simkit.shell.kernels.base_vectors` fills them; bm, bb
    (3, 3 n) strain-displacement rows; zm, zb (3, 3 n) section moduli times them; ke (3 n, 3 n) the
    tangent; h (3, n) and q (n, 3) factors of the second variation; small (18, 3) vectors and
    moduli, hot (14, 9) numbers of one layer, rows as named in :mod:`simkit.shell.section`.
    """

    shape: Array
    place: Array
    bm: Array
    bb: Array
    zm: Array
    zb: Array
    ke: Array
    h: Array
    q: Array
    small: Array
    hot: Array


class SpringPoints(NamedTuple):
    """Springs between points of the sheet and fixed places.

    element (m,) sorted; shape (m, n) shape values there; stiffness (m, 3, 3) N/mm; rest (m, 3) the
    fixed places, mm; normal (m, 3) of one-sided springs, which act where the gap along the normal
    is negative.
    """

    element: Ints
    shape: Array
    stiffness: Array
    rest: Array
    normal: Array
    one_sided: bool
