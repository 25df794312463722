"""Cohesive law of a glue layer between a moving tab and the sheet, point by point.

Bilinear traction and separation with a scalar damage d, normal and shear mixed: with the onsets
o_n = strength / stiffness (shear likewise), the separation is measured by
l = sqrt((<g_n>/o_n)^2 + (g_s/o_s)^2). Softening begins at l = 1 and ends at l_f, for which a path
of constant mix spends G_n/G_nc + G_s/G_sc = 1 (linear energy criterion). On the way
1 - d = (l_f - l) / (l (l_f - 1)); damage never heals and compression feels none of it. The form of
Camanho and Davila (NASA/TM-2002-211737, from memory, not looked up), written with normalised
separations so that any two stiffnesses go together.
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
"""Columns of a point's law: stiffness N/mm^3 normal and shear, onset mm normal and shear, end of
softening over onset normal and shear."""


class GluePoints(NamedTuple):
    """Points of a glue layer.

    element (m,) sorted; shape (m, n) shape values of the sheet there; area (m,) mm^2; law (m, 6),
    see :func:`point_laws`; damage (m,) at the beginning of the step; rest (m, 3) places on the tab
    at zero travel, mm.
    """

    element: NDArray[np.int64]
    shape: Array
    area: Array
    law: Array
    damage: Array
    rest: Array


class TabPose(NamedTuple):
    """Where a tab stands: its points are at rest + shift + modes own.

    axis (3,) direction of the pull; shift (3,) mm; modes (m, 3, q) motions of the points by its own
    unknowns; own (q,) their values.
    """

    axis: Array
    shift: Array
    modes: Array
    own: Array


class GlueSums(NamedTuple):
    """What the glue does.

    force (control points, 3) N on internal minus external forces, added to; back (q,) force on
    the tab's own unknowns, added to; pull (m, 3) N on the sheet; damage (m,) at the end of the
    step; totals (4,), added to: elastic energy and energy spent in the step, N mm, area times the
    share of strength lost, area that carries nothing, mm^2.
    """

    force: Array
    back: Array
    pull: Array
    damage: Array
    totals: Array


class GlueTangent(NamedTuple):
    """Tangent of a glue layer, all added to: matrix values data, coupling (control points, 3, q)
    with the tab's own unknowns, and their stiffness (q, q)."""

    data: Array
    coupling: Array
    stiffness: Array


def point_laws(glue: Glue, layer_mm: Array) -> Array:
    """Law of points (m, 6) under a layer of given thickness (m,), mm.

    A layer so thick that it would store more than its fracture energy lets go by that energy: its
    strength is lowered until both agree.
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
    """Damage, its end-of-softening ratio and its separation measure at one point."""
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
    """Opening of point k along the axis, mm, and the size of its slip across it; fills slip (3,).

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
    """Fill a :class:`GlueSums` with what the glue does; ``growing`` lets damage grow.

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
        if d > damage[k]:
            whole = 0.5 * w * (law[k, KN] * max(gn, 0.0) ** 2 + law[k, KS] * gs * gs)
            first = end / (end - damage[k] * (end - 1.0))
            out[1] += whole / (size * size) * first * min(size, end) * (d - damage[k])
        # share of its strength that the point has lost, for the mix of a straight pull
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
    """Take the softening off a point's stiffness: - K g (dd/dg)^T, its symmetric half, with the mix
    held (the solver is symmetric; Newton's method loses a little where both modes soften)."""
    slope = end / (size * size * (end - 1.0))
    up = max(gn, 0.0)
    toward_n = slope * up / (law[ON] * law[ON] * size)
    toward_s = slope / (law[OS] * law[OS] * size)
    for r in range(3):
        felt_r = w * (law[KN] * up * axis[r] + law[KS] * slip[r])
        grows_r = toward_n * axis[r] + toward_s * slip[r]
        for c in range(3):
            felt_c = w * (law[KN] * up * axis[c] + law[KS] * slip[c])
            grows_c = toward_n * axis[c] + toward_s * slip[c]
            block[r, c] -= 0.5 * (felt_r * grows_c + felt_c * grows_r)
