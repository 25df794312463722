"""Cohesive law of a glue layer between a moving tab and the sheet, point by point.

Bilinear traction-separation law with a scalar damage d for mixed normal and shear opening. With the
onset openings o_n = strength / stiffness (shear likewise), the separation is measured by
l = sqrt((<g_n>/o_n)^2 + (g_s/o_s)^2), where <g> = max(g, 0). Softening begins at l = 1 and ends at
l_f, such that a path of constant mode mix dissipates G_n/G_nc + G_s/G_sc = 1 (linear energy
criterion). In between 1 - d = (l_f - l) / (l (l_f - 1)). Damage never decreases, and the stiffness
in compression is not reduced by it. The form is that of Camanho and Davila (NASA/TM-2002-211737,
from memory, not looked up), written with normalised separations so that normal and shear stiffness
may differ.
"""

from __future__ import annotations

from typing import NamedTuple

import numba as nb
import numpy as np
from numpy.typing import NDArray

from simkit.shell.kernels import scatter_upper
from simkit.tool.glue import LEAST_OPENING_RATIO, Glue

Array = NDArray[np.float64]
KN, KS, ON, OS, FN, FS = range(6)
"""Columns of a point's law: normal and shear stiffness, N/mm^3; normal and shear onset opening, mm;
opening at the end of softening over the onset, normal and shear."""


class GluePoints(NamedTuple):
    """Points of a glue layer.

    element (m,) sorted; shape (m, n) shape values of the sheet there; area (m,) mm^2; law (m, 6),
    see :func:`point_laws`; damage (m,) at the beginning of the step; rest (m, 3) positions on the
    tab at zero travel, mm.
    """

    element: NDArray[np.int64]
    shape: Array
    area: Array
    law: Array
    damage: Array
    rest: Array


class TabPose(NamedTuple):
    """Position of a tab: its points are at rest + shift + modes own.

    axis (3,) direction of the pull; shift (3,) mm; modes (m, 3, q) motions of the points by its own
    unknowns; own (q,) their values.
    """

    axis: Array
    shift: Array
    modes: Array
    own: Array


class GlueSums(NamedTuple):
    """Forces and energies of the glue; the kernel adds to force, back and totals.

    force (control points, 3) internal minus external forces, N; back (q,) force conjugate to the
    tab's own unknowns, N; pull (m, 3) force on the sheet, N; damage (m,) at the end of the step;
    totals (4,): elastic energy and energy dissipated in the step, N mm, area times the share of
    strength lost, mm^2, area without traction, mm^2.
    """

    force: Array
    back: Array
    pull: Array
    damage: Array
    totals: Array


class GlueTangent(NamedTuple):
    """Tangent of a glue layer; the kernel adds to all arrays.

    data: matrix values; coupling (control points, 3, q) with the tab's own unknowns; stiffness
    (q, q) of these.
    """

    data: Array
    coupling: Array
    stiffness: Array


def point_laws(glue: Glue, layer_mm: Array) -> Array:
    """Law of points (m, 6) under a layer of given thickness (m,), mm.

    A very thick layer would store more energy at its strength than its fracture energy. Its
    strength is then reduced so that it fails by the fracture energy.
    """
    law = np.empty((layer_mm.size, 6))
    sorts = ((KN, ON, FN, glue.modulus_MPa, glue.tension_MPa, glue.tension_energy_N_per_mm),
             (KS, OS, FS, glue.modulus_MPa / 3.0, glue.shear_MPa, glue.shear_energy_N_per_mm))
    for k, onset, end, modulus, strength, energy in sorts:
        law[:, k] = modulus / layer_mm
        holds = np.minimum(strength, np.sqrt(2.0 * energy * law[:, k] / LEAST_OPENING_RATIO))
        law[:, onset] = holds / law[:, k]
        law[:, end] = 2.0 * energy / (holds * law[:, onset])
    return law


@nb.njit(cache=True)
def separate(law, gn, gs, old):
    """Damage, separation l_f at the end of softening and separation l at one point.

    law (6,); gn, gs normal opening and slip, mm; old: damage before, below which it cannot fall.
    """
    a = max(gn, 0.0) / law[ON]
    b = gs / law[OS]
    size = np.sqrt(a * a + b * b)
    if size <= 1.0:
        return old, 2.0, size
    end = size * size / (a * a / law[FN] + b * b / law[FS])
    new = 1.0 if size >= end else end * (size - 1.0) / (size * (end - 1.0))
    return max(old, new), end, size


@nb.njit(cache=True)
def open_gap(k, x, at, glue, pose, slip):
    """Opening of point k along the axis, mm, and magnitude of its slip; sets slip (3,), mm.

    x (control points, 3) mm; at (n,) the control points of its element.
    """
    shape, rest, shift, modes = glue.shape, glue.rest, pose.shift, pose.modes
    own, axis = pose.own, pose.axis
    gn = 0.0
    for c in range(3):
        place = rest[k, c] + shift[c]
        for j in range(own.size):
            place += modes[k, c, j] * own[j]
        for i in range(at.size):
            place -= shape[k, i] * x[at[i], c]
        slip[c] = place
        gn += place * axis[c]
    gs = 0.0
    for c in range(3):
        slip[c] -= gn * axis[c]
        gs += slip[c] * slip[c]
    return gn, np.sqrt(gs)


@nb.njit(cache=True)
def add_glue(x, points, glue, pose, growing, sums):
    """Compute a :class:`GlueSums`; damage can grow only if ``growing``.

    x (control points, 3) mm; points (elements, n) control points of each element.
    """
    element, shape, area, law, damage = glue.element, glue.shape, glue.area, glue.law, glue.damage
    axis, modes, own = pose.axis, pose.modes, pose.own
    force, back, pull, new, out = sums.force, sums.back, sums.pull, sums.damage, sums.totals
    slip = np.empty(3)
    for k in range(element.size):
        at = points[element[k]]
        gn, gs = open_gap(k, x, at, glue, pose, slip)
        d, end, size = damage[k], 2.0, 0.0
        if growing:
            d, end, size = separate(law[k], gn, gs, damage[k])
        w = area[k]
        sn = w * law[k, KN] * ((1.0 - d) if gn > 0.0 else 1.0)
        ss = w * law[k, KS] * (1.0 - d)
        new[k] = d
        out[0] += 0.5 * (sn * gn * gn + ss * gs * gs)
        # energy dissipated: undamaged stored energy times the increment of damage, integrated
        # along a path of constant mode mix
        if d > damage[k]:
            whole = 0.5 * w * (law[k, KN] * max(gn, 0.0) ** 2 + law[k, KS] * gs * gs)
            first = end / (end - damage[k] * (end - 1.0))
            out[1] += whole / (size * size) * first * min(size, end) * (d - damage[k])
        # share of its strength that the point has lost, for a purely normal opening
        over = law[k, FN] / (law[k, FN] - d * (law[k, FN] - 1.0))
        out[2] += w * (over - 1.0) / (law[k, FN] - 1.0)
        if d >= 1.0:
            out[3] += w
        for r in range(3):
            pull[k, r] = sn * gn * axis[r] + ss * slip[r]
            for j in range(own.size):
                back[j] += modes[k, r, j] * pull[k, r]
        for i in range(at.size):
            for r in range(3):
                force[at[i], r] -= shape[k, i] * pull[k, r]


@nb.njit(cache=True)
def add_glue_tangent(x, points, places, glue, pose, growing, tangent):
    """Add to a :class:`GlueTangent`; places (elements, entries) where the matrix values are. See
    :func:`add_glue`."""
    element, shape, area, law, damage = glue.element, glue.shape, glue.area, glue.law, glue.damage
    axis, modes, own = pose.axis, pose.modes, pose.own
    columns, stiff = tangent.coupling, tangent.stiffness
    n, q = shape.shape[1], own.size
    ke = np.zeros((3 * n, 3 * n))
    block, slip, on_modes = np.empty((3, 3)), np.empty(3), np.empty((3, q))
    m = element.size
    for k in range(m):
        at = points[element[k]]
        gn, gs = open_gap(k, x, at, glue, pose, slip)
        d, end, size = damage[k], 2.0, 0.0
        if growing:
            d, end, size = separate(law[k], gn, gs, damage[k])
        sn = area[k] * law[k, KN] * ((1.0 - d) if gn > 0.0 else 1.0)
        ss = area[k] * law[k, KS] * (1.0 - d)
        for r in range(3):
            for c in range(3):
                block[r, c] = (sn - ss) * axis[r] * axis[c] + (ss if r == c else 0.0)
        if d > damage[k] and d < 1.0:
            soften(block, law[k], area[k], gn, slip, axis, end, size)
        for r in range(3):
            for j in range(q):
                on_modes[r, j] = 0.0
                for c in range(3):
                    on_modes[r, j] += block[r, c] * modes[k, c, j]
        for i in range(n):
            for r in range(3):
                for j in range(q):
                    columns[at[i], r, j] -= shape[k, i] * on_modes[r, j]
            for j in range(i, n):
                both = shape[k, i] * shape[k, j]
                for r in range(3):
                    for c in range(3):
                        ke[3 * i + r, 3 * j + c] += both * block[r, c]
        for i in range(q):
            for j in range(q):
                for r in range(3):
                    stiff[i, j] += modes[k, r, i] * on_modes[r, j]
        if k == m - 1 or element[k + 1] != element[k]:
            scatter_upper(ke, places[element[k]], tangent.data)
            ke[:] = 0.0


@nb.njit(cache=True)
def soften(block, law, w, gn, slip, axis, end, size):
    """Subtract the symmetric part of K g (dd/dg)^T, the softening, from a point's stiffness.

    dd/dg is taken at constant mode mix. The solver needs a symmetric matrix; Newton's method is
    slightly slower where both modes soften.
    """
    slope = end / (size * size * (end - 1.0))  # dd/dl
    up = max(gn, 0.0)
    toward_n = slope * up / (law[ON] * law[ON] * size)
    toward_s = slope / (law[OS] * law[OS] * size)
    for r in range(3):
        whole_r = w * (law[KN] * up * axis[r] + law[KS] * slip[r])
        grows_r = toward_n * axis[r] + toward_s * slip[r]
        for c in range(3):
            whole_c = w * (law[KN] * up * axis[c] + law[KS] * slip[c])
            grows_c = toward_n * axis[c] + toward_s * slip[c]
            block[r, c] -= 0.5 * (whole_r * grows_c + whole_c * grows_r)
