"""Clamped square von Karman plate by Ritz's method, independent of the shell engine.

Run it to print the table kept as data (own_ritz_clamped_square_uniform_nu0p316.csv, 8 terms a
direction). Half side 1, thickness 1, E = 1: Legendre polynomials times (1 - x^2)^2 (1 - y^2)^2 for
w, times (1 - x^2) for u across x; the rim either slides along itself or is held.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import legendre, polynomial
from scipy.optimize import fsolve

NU = 0.316
LOADS = (17.79, 38.3, 63.4, 95.0, 134.9, 184.0, 245.0, 318.0, 402.0)
NODES, WEIGHTS = legendre.leggauss(40)
AREA = np.outer(WEIGHTS, WEIGHTS)


def family(factor, powers):
    """Values, first and second derivatives at the nodes, (terms, 3, nodes)."""
    polys = [polynomial.polymul(factor, legendre.leg2poly([0] * p + [1])) for p in powers]
    return np.array([[polynomial.polyval(NODES, polynomial.polyder(c, k) if k else c)
                      for k in range(3)] for c in polys])


def product(f, a, g, b):
    """All products of the a-th derivative in x and the b-th in y."""
    return np.einsum("ix,jy->ijxy", f[:, a], g[:, b]).reshape(-1, NODES.size, NODES.size)


def integral(a, b):
    return np.einsum("ixy,jxy,xy->ij", a, b, AREA, optimize=True)


def centre_deflections(terms, held, loads):
    """w / h at the centre for loads q a^4 / E h^4, and whether each solution was found."""
    bell = polynomial.polymul([1, 0, -1], [1, 0, -1])
    even, odd = range(0, 2 * terms, 2), range(1, 2 * terms + 1, 2)
    w = family(bell, even)
    centre = [legendre.legval(0.0, [0] * p + [1]) for p in even]
    across, along = family([1, 0, -1], odd), family([1, 0, -1] if held else [1], even)
    wx, wy = product(w, 1, w, 0), product(w, 0, w, 1)
    wxx, wyy, wxy = product(w, 2, w, 0), product(w, 0, w, 2), product(w, 1, w, 1)
    ux, uy = product(across, 1, along, 0), product(across, 0, along, 1)
    vx, vy = product(along, 1, across, 0), product(along, 0, across, 1)
    ex, ey = np.concatenate([ux, 0 * ux]), np.concatenate([0 * ux, vy])
    shear = np.concatenate([uy, vx])
    c, d = 1 / (1 - NU**2), 1 / (12 * (1 - NU**2))
    membrane = c * (integral(ex, ex) + integral(ey, ey) + NU * (
        integral(ex, ey) + integral(ey, ex)) + (1 - NU) / 2 * integral(shear, shear))
    bending = d * (integral(wxx, wxx) + integral(wyy, wyy) + NU * (
        integral(wxx, wyy) + integral(wyy, wxx)) + 2 * (1 - NU) * integral(wxy, wxy))
    soft = np.linalg.pinv(membrane, rcond=1e-12)
    push = np.einsum("ixy,xy->i", product(w, 0, w, 0), AREA)

    def forces(a, b, g):
        return c * (a + NU * b) * AREA, c * (b + NU * a) * AREA, c * (1 - NU) / 2 * g * AREA

    def residual(q, load):
        sx, sy = np.tensordot(q, wx, 1), np.tensordot(q, wy, 1)
        e1, e2, e3 = 0.5 * sx * sx, 0.5 * sy * sy, sx * sy
        n1, n2, n3 = forces(e1, e2, e3)
        plane = -soft @ sum(np.einsum("ixy,xy->i", a, n)
                            for a, n in ((ex, n1), (ey, n2), (shear, n3)))
        n1, n2, n3 = forces(e1 + np.tensordot(plane, ex, 1), e2 + np.tensordot(plane, ey, 1),
                            e3 + np.tensordot(plane, shear, 1))
        return (bending @ q + np.einsum("ixy,xy->i", wx, n1 * sx + n3 * sy)
                + np.einsum("ixy,xy->i", wy, n2 * sy + n3 * sx) - load * push)

    q, found = np.zeros(terms * terms), []
    for load in loads:
        q, _, ok, _ = fsolve(residual, q, args=(load / 16.0,), full_output=True, xtol=1e-10)
        found.append((float(np.outer(centre, centre).ravel() @ q), ok == 1))
    return found


def main():
    print("q_a4_over_E_h4,sliding_rim,held_rim")
    for load, (sliding, _), (held, _) in zip(LOADS, centre_deflections(8, False, LOADS),
                                             centre_deflections(8, True, LOADS), strict=True):
        print(f"{load},{sliding:.5f},{held:.5f}")


if __name__ == "__main__":
    main()
