"""Axisymmetric solids of CalculiX: strips of a cap and of round tools, loads over a disc.

CalculiX turns them into a wedge of 2 degrees: a concentrated load is given for the whole circle, a
printed total force is that of the wedge. Checked on a pull: 180 times the printed reaction of the
edge is the load.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Nodes = dict[tuple[int, int], int]
WHOLE = 180.0
"""Force of the whole circle over that of the wedge that is printed."""


def strip(angles: Array, radii: Array, centre_mm: float, first: int,
          centre_r_mm: float = 0.0) -> tuple[list[str], list[str], Nodes]:
    """Quadratic axisymmetric elements between rays and arcs about a point at a height and radius.

    ``angles`` from the upward axis and ``radii`` hold corners and middles in turn. Lines of nodes
    (numbered from ``first``) and of elements (not numbered), and the node of each (ray, arc).
    """
    number: Nodes = {}
    nodes, elements = [], []
    for i, angle in enumerate(angles):
        for j, radius in enumerate(radii):
            if i % 2 and j % 2:
                continue
            number[i, j] = first + len(number)
            nodes.append(f"{number[i, j]}, {centre_r_mm + radius * np.sin(angle):.10g}, "
                         f"{centre_mm + radius * np.cos(angle):.10g}")
    for i in range(0, len(angles) - 2, 2):
        for j in range(0, len(radii) - 2, 2):
            corners = ((i, j), (i + 2, j), (i + 2, j + 2), (i, j + 2))
            middles = ((i + 1, j), (i + 2, j + 1), (i + 1, j + 2), (i, j + 1))
            elements.append(", ".join(str(number[at]) for at in (*corners, *middles)))
    return nodes, elements, number


def halved(breaks: Array) -> Array:
    """Breaks with the middles between them."""
    return np.sort(np.concatenate([breaks, 0.5 * (breaks[1:] + breaks[:-1])]))


def disc_loads(radii: Array, disc_mm: float) -> Array:
    """Consistent nodal shares of a load that is even over a disc, (radii,).

    ``radii`` of a strip's nodes, corners and middles in turn; a corner lies at the disc's rim.
    """
    share = np.zeros(radii.size)
    gauss, weight = np.polynomial.legendre.leggauss(4)
    s = 0.5 * (gauss + 1.0)
    shape = np.stack([(1.0 - s) * (1.0 - 2.0 * s), 4.0 * s * (1.0 - s), s * (2.0 * s - 1.0)])
    for k in range(0, radii.size - 2, 2):
        inner, outer = radii[k], radii[k + 2]
        if outer > disc_mm + 1e-6:
            break
        ring = np.pi * (inner + (outer - inner) * s) * (outer - inner) * weight
        share[k:k + 3] += shape @ ring
    return share / (np.pi * disc_mm**2)
