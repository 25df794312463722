"""Named arguments of the bundles' kernel, see :func:`simkit.shell.bundle.elements.bundle_rows`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


class Strips(NamedTuple):
    """Strips of elements, one group of work each.

    Strip k holds the rows ptr[k] to ptr[k + 1] - 1 of elements. The first ``overlap`` rows of a
    strip share matrix entries with the strip before.
    """

    ptr: Ints
    overlap: int


class BundleGrid(NamedTuple):
    """Reference data of all elements in the order in which bundles read them.

    Attributes
    ----------
    count_v, rows_v : elements and control points along v.
    shape_u : (elements along u, 2, 3, 3) Gauss points, functions, derivatives.
    shape_v, geometry : flat, as :mod:`simkit.shell.bundle.packing` packs them.
    places : (elements, entries) where the upper triangle of each tangent goes in the matrix.
    """

    count_v: int
    rows_v: int
    shape_u: Array
    shape_v: Array
    geometry: Array
    places: NDArray[np.int32]


class BundleSection(NamedTuple):
    """Thickness, mm; heights and weights of the layers; packed sheet law; ``bound``.

    ``bound``, MPa^2, is a lower limit of the squared flow stress: 0 leaves the law as it is,
    infinity forbids yielding, a negative value leaves all yielding elements to the full kernel.
    """

    thickness: float
    heights: Array
    weights: Array
    law: Array
    bound: float


class BundleStates(NamedTuple):
    """States of the layers.

    Attributes
    ----------
    packed : flat, as :mod:`simkit.shell.bundle.packing` packs them.
    old : (elements, 4, layers, numbers) begin-of-step states.
    slot : (elements,) place in ``fresh`` of each element that yields, -1 for others; written.
    fresh : like ``old``; new states of elements that yield; written.
    """

    packed: Array
    old: Array
    slot: Ints
    fresh: Array


class BundleSums(NamedTuple):
    """Results that the bundle kernel writes.

    Attributes
    ----------
    parts : (strips, 3 points of a strip + 8) forces of each strip by component, N.
    energy : (elements, 2) elastic energy and plastic work, N mm.
    upper : (elements, entries) upper triangles of the tangents, symmetrised.
    data : matrix values, to which changes of ``upper`` are added.
    left : (elements,) True where the full kernel must compute the element.
    """

    parts: Array
    energy: Array
    upper: Array
    data: Array
    left: NDArray[np.bool_]


class LawNumbers(NamedTuple):
    """Constants of a sheet law in compiled code.

    Attributes
    ----------
    d1, shear : elastic constants of s and of d, g: E / (1 - nu) and G, MPa.
    m1, m2 : elastic constants of the return mapping, E / (2 (1 - nu)) and 3 G, MPa.
    kind : SWIFT, VOCE or TABLE of :mod:`simkit.material.j2`.
    terms : number of backstress terms.
    c1, g1, c2, g2 : modulus (MPa) and recovery of two backstress terms, zero where fewer.
    curve : address of the numbers of the hardening curve.
    """

    d1: float
    shear: float
    m1: float
    m2: float
    kind: int
    terms: int
    c1: float
    g1: float
    c2: float
    g2: float
    curve: int
