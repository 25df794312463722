"""Element kernel of the rotation-free Kirchhoff-Love shell: forces, tangent, state, energy.

Kinematics (Kiendl, Bletzinger, Linhard, Wuechner 2009): covariant base x,1 x,2, unit normal a3,
curvature b_ab = x,_ab . a3, membrane strain (a_ab - A_ab) / 2, bending strain B_ab - b_ab, strain
at height z: E = e + z k. Variations, with h_I,ab = N_I,ab - G^g_ab N_I,g and G^g_ab = x,_ab . a^g:

    d b_ab   = sum h_I,ab a3 . dx_I
    Dd b_ab  = -(h_I,ab dx_I . a^d)(N_J,d a3 . Dx_J) - (I, J swapped)
               - b_ab a^gd (N_I,g a3 . dx_I)(N_J,d a3 . Dx_J)

so that the tangent is exact. Strains are transformed to (s, d, g) of a local orthonormal frame.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from simkit.shell.records import Scratch
from simkit.shell.section import (
    A_ROWS,
    B_ROWS,
    BENDING,
    CURVATURE,
    D_ROWS,
    DUAL,
    HOT_ROWS,
    M_COVARIANT,
    MEMBRANE,
    METRIC,
    N_COVARIANT,
    NORMAL,
    RESULTANTS,
    SMALL_ROWS,
    integrate_layers,
)


@nb.njit(cache=True)
def base_vectors(x, first_u, first_v, count_v, su, sv, shape, place):
    """Shape derivatives and base vectors at one point of one element.

    x control points (n, 3); su, sv (p + 1, 3) one-direction values; shape (6, n_e) out: N, N,1,
    N,2, N,11, N,22, N,12; place (6, 3) out: x, x,1, x,2, x,11, x,22, x,12.
    """
    p1 = su.shape[0]
    for r in range(6):
        for i in range(3):
            place[r, i] = 0.0
    k = 0
    for i in range(p1):
        for j in range(p1):
            shape[0, k] = su[i, 0] * sv[j, 0]
            shape[1, k] = su[i, 1] * sv[j, 0]
            shape[2, k] = su[i, 0] * sv[j, 1]
            shape[3, k] = su[i, 2] * sv[j, 0]
            shape[4, k] = su[i, 0] * sv[j, 2]
            shape[5, k] = su[i, 1] * sv[j, 1]
            cp = (first_u + i) * count_v + first_v + j
            for r in range(6):
                for c in range(3):
                    place[r, c] += shape[r, k] * x[cp, c]
            k += 1


@nb.njit(cache=True)
def dual_base(place, a3, up, b):
    """Set the unit normal a3 (3,), the dual base up (2, 3) and the curvature b (3,).

    place (6, 3) as :func:`base_vectors` fills it. Returns the metric (11, 22, 12) and the
    contravariant metric (11, 22, 12); zeros where the surface has no area.
    """
    a11 = a22 = a12 = 0.0
    for c in range(3):
        a11 += place[1, c] * place[1, c]
        a22 += place[2, c] * place[2, c]
        a12 += place[1, c] * place[2, c]
    a3[0] = place[1, 1] * place[2, 2] - place[1, 2] * place[2, 1]
    a3[1] = place[1, 2] * place[2, 0] - place[1, 0] * place[2, 2]
    a3[2] = place[1, 0] * place[2, 1] - place[1, 1] * place[2, 0]
    det = a11 * a22 - a12 * a12
    if not det > 0.0:  # true also for NaN
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    root = np.sqrt(det)
    i11, i22, i12 = a22 / det, a11 / det, -a12 / det
    for c in range(3):
        a3[c] /= root
        up[0, c] = i11 * place[1, c] + i12 * place[2, c]
        up[1, c] = i12 * place[1, c] + i22 * place[2, c]
    for r in range(3):
        b[r] = place[3 + r, 0] * a3[0] + place[3 + r, 1] * a3[1] + place[3 + r, 2] * a3[2]
    return a11, a22, a12, i11, i22, i12


@nb.njit(cache=True)
def _rows(shape, place, a3, up, frame, h, bm, bb):
    """Strain-displacement rows bm, bb (3, 3 n_e) in (s, d, g), and h (3, n_e).

    bm dx is the variation of the membrane strain, bb dx that of the bending strain. The bending
    strain is B_ab - b_ab, hence the minus sign of d b_ab = sum h_I,ab a3 . dx_I in bb.
    """
    g = np.empty((3, 2))  # G^g_ab for ab = 11, 22, 12
    for r in range(3):
        for d in range(2):
            g[r, d] = (place[3 + r, 0] * up[d, 0] + place[3 + r, 1] * up[d, 1]
                       + place[3 + r, 2] * up[d, 2])
    for k in range(shape.shape[1]):
        n1, n2 = shape[1, k], shape[2, k]
        for r in range(3):
            h[r, k] = shape[3 + r, k] - g[r, 0] * n1 - g[r, 1] * n2
        for r in range(3):
            f0, f1, f2 = frame[r, 0], frame[r, 1], frame[r, 2]
            m1 = f0 * n1 + 0.5 * f2 * n2
            m2 = f1 * n2 + 0.5 * f2 * n1
            hb = -(f0 * h[0, k] + f1 * h[1, k] + f2 * h[2, k])
            for c in range(3):
                bm[r, 3 * k + c] = m1 * place[1, c] + m2 * place[2, c]
                bb[r, 3 * k + c] = hb * a3[c]


@nb.njit(cache=True, fastmath={"contract", "reassoc", "nsz"})
def _add_material(ke, bm, bb, zm, zb, amat, bmat, dmat, w):
    """ke += w (bm' A bm + bm' B bb + bb' B' bm + bb' D bb), upper triangle only.

    zm, zb (3, 3 n_e) are scratch for w (A bm + B bb) and w (B' bm + D bb).
    """
    n = bm.shape[1]
    for r in range(3):
        for j in range(n):
            zm[r, j] = w * (amat[r, 0] * bm[0, j] + amat[r, 1] * bm[1, j] + amat[r, 2] * bm[2, j]
                            + bmat[r, 0] * bb[0, j] + bmat[r, 1] * bb[1, j]
                            + bmat[r, 2] * bb[2, j])
            zb[r, j] = w * (bmat[0, r] * bm[0, j] + bmat[1, r] * bm[1, j] + bmat[2, r] * bm[2, j]
                            + dmat[r, 0] * bb[0, j] + dmat[r, 1] * bb[1, j]
                            + dmat[r, 2] * bb[2, j])
    for i in range(n):
        b0, b1, b2 = bm[0, i], bm[1, i], bm[2, i]
        c0, c1, c2 = bb[0, i], bb[1, i], bb[2, i]
        for j in range(i, n):
            ke[i, j] += (b0 * zm[0, j] + b1 * zm[1, j] + b2 * zm[2, j]
                         + c0 * zb[0, j] + c1 * zb[1, j] + c2 * zb[2, j])


@nb.njit(cache=True, fastmath={"contract", "reassoc", "nsz"})
def _add_geometric(ke, shape, h, small, w, q):
    """Stress part of the tangent, upper triangle of ke (3 n_e, 3 n_e), times area w.

    N^ab times the second variation of the membrane strain gives ``same`` on the diagonal of a
    block; M^ab times the second variation of the bending strain (formula of the module) gives the
    rest. ``small`` holds normal, dual base, contravariant metric, curvature and the resultants
    conjugate to the covariant components (11, 22, 12); q (n_e, 3) is scratch for N_I,d a^d.
    """
    a3, up, mup, b = small[NORMAL], small[DUAL:DUAL + 2], small[METRIC], small[CURVATURE]
    n_res, m_res = small[N_COVARIANT], small[M_COVARIANT]
    mb = m_res[0] * b[0] + m_res[1] * b[1] + m_res[2] * b[2]
    for k in range(shape.shape[1]):
        for c in range(3):
            q[k, c] = shape[1, k] * up[0, c] + shape[2, k] * up[1, c]
    for i in range(shape.shape[1]):
        i1, i2 = shape[1, i], shape[2, i]
        v1 = n_res[0] * i1 + 0.5 * n_res[2] * i2
        v2 = n_res[1] * i2 + 0.5 * n_res[2] * i1
        u1 = mb * (mup[0] * i1 + mup[2] * i2)
        u2 = mb * (mup[1] * i2 + mup[2] * i1)
        mh_i = w * (m_res[0] * h[0, i] + m_res[1] * h[1, i] + m_res[2] * h[2, i])
        for j in range(i, shape.shape[1]):
            j1, j2 = shape[1, j], shape[2, j]
            same = w * (v1 * j1 + v2 * j2)
            normal = w * (u1 * j1 + u2 * j2)
            mh_j = w * (m_res[0] * h[0, j] + m_res[1] * h[1, j] + m_res[2] * h[2, j])
            for r in range(3):
                left = mh_i * q[j, r] + normal * a3[r]
                right = mh_j * a3[r]
                for c in range(3):
                    ke[3 * i + r, 3 * j + c] += left * a3[c] + right * q[i, c]
                ke[3 * i + r, 3 * j + r] += same


@nb.njit(cache=True)
def scatter_upper(ke, places, data):
    """Add the upper triangle of ke (m, m) to the matrix values at places (m (m + 1) / 2,).

    A place of -1 skips the entry (a held displacement); -(p + 2) adds it twice at p. Twice, because
    an off-diagonal entry of two displacements that share one equation lands on the diagonal,
    and so does its mirror entry, which is not stored.
    """
    k = 0
    for i in range(ke.shape[0]):
        for j in range(i, ke.shape[0]):
            at = places[k]
            if at >= 0:
                data[at] += ke[i, j]
            elif at < -1:
                data[-(at + 2)] += 2.0 * ke[i, j]
            k += 1


@nb.njit(cache=True)
def _element(el, x, grid, rule, old, new, symmetrise, tangent, sums, scratch):
    """One element: add its forces; write its tangent to scratch.ke, its new state and energies.

    x (control points, 3); old, new (points, layers, numbers); records as in :func:`assemble`.
    Returns False if the element is inverted.
    """
    eu, ev = el // grid.elements_v, el % grid.elements_v
    su, sv, count_v, force = grid.shape_u, grid.shape_v, grid.count_v, sums.force
    shape, place, bm, bb = scratch.shape, scratch.place, scratch.bm, scratch.bb
    small, hot, h, ke = scratch.small, scratch.hot, scratch.h, scratch.ke
    metric, curvature = grid.metric, grid.curvature
    p1, g = su.shape[2], su.shape[1]
    a3, up, b = small[NORMAL], small[DUAL:DUAL + 2], small[CURVATURE]
    em, kb, mup = small[MEMBRANE], small[BENDING], small[METRIC]
    n_res, m_res = small[N_COVARIANT], small[M_COVARIANT]
    res = hot[RESULTANTS, 0:6]
    stored = spent = 0.0
    if tangent:
        ke[:] = 0.0
    for gp in range(g * g):
        gu, gv = gp // g, gp % g
        base_vectors(x, eu, ev, count_v, su[eu, gu], sv[ev, gv], shape, place)
        a11, a22, a12, mup[0], mup[1], mup[2] = dual_base(place, a3, up, b)
        if a11 == 0.0:
            return False
        frame = grid.frame[el, gp]
        d0 = 0.5 * (a11 - metric[el, gp, 0])
        d1 = 0.5 * (a22 - metric[el, gp, 1])
        d2 = 0.5 * (a12 - metric[el, gp, 2])
        k0 = curvature[el, gp, 0] - b[0]
        k1 = curvature[el, gp, 1] - b[1]
        k2 = curvature[el, gp, 2] - b[2]
        for r in range(3):
            em[r] = frame[r, 0] * d0 + frame[r, 1] * d1 + frame[r, 2] * d2
            kb[r] = frame[r, 0] * k0 + frame[r, 1] * k1 + frame[r, 2] * k2
        elastic, plastic, ok = integrate_layers(small, hot, old[gp], new[gp], rule,
                                        grid.thickness[el, gp], symmetrise, tangent)
        if not ok:
            return False
        w = grid.area[el, gp]
        stored += w * elastic
        spent += w * plastic
        _rows(shape, place, a3, up, frame, h, bm, bb)
        for k in range(p1 * p1):
            cp = (eu + k // p1) * count_v + ev + k % p1
            for c in range(3):
                i = 3 * k + c
                force[cp, c] += w * (bm[0, i] * res[0] + bm[1, i] * res[1] + bm[2, i] * res[2]
                                     + bb[0, i] * res[3] + bb[1, i] * res[4] + bb[2, i] * res[5])
        if tangent:
            # the work n . de is the same in both frames, so resultants transform by the transpose
            for r in range(3):
                n_res[r] = frame[0, r] * res[0] + frame[1, r] * res[1] + frame[2, r] * res[2]
                m_res[r] = frame[0, r] * res[3] + frame[1, r] * res[4] + frame[2, r] * res[5]
            _add_material(ke, bm, bb, scratch.zm, scratch.zb, small[A_ROWS:A_ROWS + 3],
                          small[B_ROWS:B_ROWS + 3], small[D_ROWS:D_ROWS + 3], w)
            _add_geometric(ke, shape, h, small, w, scratch.q)
    sums.energy[el, 0] = stored
    sums.energy[el, 1] = spent
    return True


@nb.njit(cache=True, nogil=True)
def assemble(listed, first, last, x, grid, rule, old, new, symmetrise, tangent, sums):
    """Assemble elements listed[first] to listed[last - 1], one after another.

    x (n, 3) control points, mm; grid, rule and sums are records of :mod:`simkit.shell.records`;
    old (elements, points, layers, numbers) states; the new state of the k-th listed element goes to
    new[k]. Adds to the forces and writes the energies. With ``tangent``, the upper triangle of each
    tangent goes to sums.upper if that has rows, else it is added to the matrix values. Returns
    False if an element is inverted. The kernel releases Python's lock, so each of several threads
    can take a range, with a force array and matrix values of its own.
    """
    n = grid.shape_u.shape[2] * grid.shape_u.shape[2]
    scratch = Scratch(
        np.empty((6, n)), np.empty((6, 3)), np.empty((3, 3 * n)), np.empty((3, 3 * n)),
        np.empty((3, 3 * n)), np.empty((3, 3 * n)), np.empty((3 * n, 3 * n)), np.empty((3, n)),
        np.empty((n, 3)), np.empty((SMALL_ROWS, 3)), np.empty((HOT_ROWS, 9)))
    ke, upper = scratch.ke, sums.upper
    for k in range(first, last):
        el = listed[k]
        if not _element(el, x, grid, rule, old[el], new[k], symmetrise, tangent, sums, scratch):
            return False
        if tangent and upper.shape[0] > 0:
            at = 0
            for i in range(3 * n):
                for j in range(i, 3 * n):
                    upper[el, at] = ke[i, j]
                    at += 1
        elif tangent:
            scatter_upper(ke, grid.places[el], sums.data)
    return True
