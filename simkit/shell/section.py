"""Integration through the thickness: Gauss layers, and resultants and moduli of one Gauss point.

With the strain E(z) = e + z k of each layer, its stress S conjugate to E and its tangent C = dS/dE:

    n = int S dz,  m = int z S dz,  (A, B, D) = int (1, z, z^2) C dz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.material.anisotropic import update_anisotropic
from simkit.material.j2 import update_point
from simkit.shell.logstrain import add_second, log_strain

# rows of Scratch.small: vectors of a Gauss point, then moduli of its section
NORMAL, DUAL, CURVATURE, MEMBRANE, BENDING = 0, 1, 3, 4, 5
METRIC, N_COVARIANT, M_COVARIANT = 6, 7, 8
A_ROWS, B_ROWS, D_ROWS, SMALL_ROWS = 9, 12, 15, 18
# rows of Scratch.hot: numbers of one layer, and the resultants of the section
STRAIN, LOG_STRAIN, STRESS, FIRST, MODULI, MAPPING, SECOND, RESULTANTS = 0, 1, 2, 3, 6, 9, 10, 13
HOT_ROWS = 14


@dataclass(frozen=True)
class Layers:
    """Heights in units of the thickness, from -1/2 (inner face) to 1/2, and weights (sum 1)."""

    heights: NDArray[np.float64]
    weights: NDArray[np.float64]


def gauss_layers(count: int) -> Layers:
    """Gauss-Legendre layers, exact for polynomials of degree 2 count - 1 through the thickness."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return Layers(0.5 * nodes, 0.5 * weights)


@nb.njit(cache=True)
def _map_layer(e, old, new, t, c, law, work, symmetrise, tangent):
    """Stress t (3,), tangent c (3, 3) and new state of a layer at strain e (3,); work (9,) scratch.

    The number of dimensions of ``law`` is known at compile time, because it is an argument of its
    own. Numba therefore compiles only one of the two branches for each kind of law.
    """
    if law.ndim == 2:
        update_anisotropic(e, old, new, t, c, law, symmetrise, tangent)
    else:
        update_point(e, old, new, t, c, law, work, symmetrise, tangent)


@nb.njit(cache=True)
def integrate_layers(small, hot, old, new, rule, thickness, symmetrise, tangent):
    """Integrate stress and tangent over the layers of one Gauss point.

    Reads the strains in ``small``; writes its moduli A, B, D (3, 3) and the six resultants in
    ``hot``, membrane then bending, per reference length. old, new (layers, numbers); rule a
    LayerRule. Returns (elastic energy per area, plastic work per area, ok); ok is False where
    the metric is not positive.
    """
    em, kb, law = small[MEMBRANE], small[BENDING], rule.law
    amat, bmat, dmat = (small[A_ROWS:A_ROWS + 3], small[B_ROWS:B_ROWS + 3],
                        small[D_ROWS:D_ROWS + 3])
    heights, weights, res = rule.heights, rule.weights, hot[RESULTANTS, 0:6]
    e, hs, t = hot[STRAIN, 0:3], hot[LOG_STRAIN, 0:3], hot[STRESS, 0:3]
    first, c = hot[FIRST:FIRST + 3, 0:3], hot[MODULI:MODULI + 3, 0:3]
    work, a = hot[MAPPING, 0:9], hot[SECOND:SECOND + 3, 0:3]
    res[:] = 0.0
    if tangent:
        amat[:] = 0.0
        bmat[:] = 0.0
        dmat[:] = 0.0
    stored = spent = 0.0
    for layer in range(heights.size):
        z = heights[layer] * thickness
        w = weights[layer] * thickness
        for i in range(3):
            e[i] = em[i] + z * kb[i]
        q, _k, k_r, k_rr = log_strain(e, hs, first)
        if q < 0.0:
            return stored, spent, False
        _map_layer(hs, old[layer], new[layer], t, c, law, work, symmetrise, tangent)
        # elastic energy density: stress times elastic strain (total less plastic) / 2
        for i in range(3):
            stored += 0.5 * w * t[i] * (hs[i] - new[layer, i])
        spent += w * new[layer, 4]
        # stress conjugate to E: S = F' T with F = dH/dE
        for i in range(3):
            s = t[0] * first[0, i] + t[1] * first[1, i] + t[2] * first[2, i]
            res[i] += w * s
            res[3 + i] += w * z * s
        if tangent:
            for i in range(3):
                for j in range(3):
                    a[i, j] = 0.0
            # tangent of S: F' C F + sum_j T_j d2H_j/dE dE
            add_second(e, t, q, k_r, k_rr, a)
            for i in range(3):
                ci = (first[0, i] * c[0, 0] + first[1, i] * c[1, 0] + first[2, i] * c[2, 0],
                      first[0, i] * c[0, 1] + first[1, i] * c[1, 1] + first[2, i] * c[2, 1],
                      first[0, i] * c[0, 2] + first[1, i] * c[1, 2] + first[2, i] * c[2, 2])
                for j in range(3):
                    v = w * (a[i, j] + ci[0] * first[0, j] + ci[1] * first[1, j]
                             + ci[2] * first[2, j])
                    amat[i, j] += v
                    bmat[i, j] += z * v
                    dmat[i, j] += z * z * v
    return stored, spent, True
