"""The elements of a mask, bundle by bundle."""

from __future__ import annotations

import numba as nb
import numpy as np

from simkit.shell.bundle.layers import (
    add_layer,
    add_stiff_layer,
    flow_lanes,
    logarithms,
    try_elastic,
)
from simkit.shell.bundle.packing import (
    GAUSS,
    GEO_ROWS,
    SHAPE_ROWS,
    STATE_ROWS,
    bundles_along,
)
from simkit.shell.bundle.rows import ACTIVE, ENTRIES, MARK, NODE, RES, ROWS, SPENT, STORED
from simkit.shell.bundle.surface import (
    add_forces,
    find_strains,
    find_surface,
    load_control,
    load_reference,
    make_forces,
)
from simkit.shell.bundle.tangent import add_pairs, make_matrix, spread_matrix, write_tangent
from simkit.shell.bundle.vectors import ROW_BYTES, keep
from simkit.solve.linear.simd import LANES, address, aligned, same8


@nb.njit(cache=True, inline="always")
def _begin(w, wk, todo, el, n):
    """Nothing summed up yet; lanes at work are those of marked elements."""
    nothing = same8(0.0)
    for r in range(NODE, NODE + 27):
        keep(w, r, nothing)
    keep(w, MARK, nothing)
    keep(w, STORED, nothing)
    keep(w, SPENT, nothing)
    for lane in range(LANES):
        wk[ACTIVE * LANES + lane] = 1.0 if lane < n and todo[el + lane] else 0.0


@nb.njit(cache=True, inline="always")
def _section(w, wk, n, el, gp, thickness, heights, weights, law, bound, states, old, slot, fresh,
             count, tangent, small):
    """Stress through the layers of one Gauss point; returns how many elements have flowed."""
    young, nu = law[0], law[1]
    d1, shear = same8(young / (1.0 - nu)), same8(0.5 * young / (1.0 + nu))
    most, nothing = same8(bound), same8(0.0)
    for r in range(24):
        keep(w, RES + r, nothing)
    for k in range(heights.size):
        z, weight = same8(heights[k] * thickness), same8(weights[k] * thickness)
        logarithms(w, z)
        try_elastic(w, states + k * STATE_ROWS * ROW_BYTES, d1, shear, most)
        count = flow_lanes(n, el, gp, k, law, old, slot, fresh, count, tangent, small, wk)
        add_layer(w, z, weight)
        if tangent:
            add_stiff_layer(w, z, weight)
    return count


@nb.njit(cache=True, inline="always")
def _stiffness(w, ke):
    """Add the tangent of one Gauss point."""
    make_matrix(w)
    pair = 0
    for i in range(9):
        spread_matrix(w, i)
        for r in range(3):
            add_pairs(w, i, r, ke, pair)
        pair += 9 - i


@nb.njit(cache=True, inline="always")
def _end(wk, n, el, ke, tangent, energy, upper, left):
    """Write out what is kept by element; lanes beyond the series are no longer at work."""
    for lane in range(n):
        if wk[ACTIVE * LANES + lane] == 0.0:
            continue
        left[el + lane] = wk[MARK * LANES + lane] != 0.0
        if left[el + lane]:
            wk[ACTIVE * LANES + lane] = 0.0
            continue
        energy[el + lane, 0] = wk[STORED * LANES + lane]
        energy[el + lane, 1] = wk[SPENT * LANES + lane]
        if tangent:
            write_tangent(el + lane, lane, ke, upper)


@nb.njit(cache=True, nogil=True)
def bundle_elements(todo, first, last, x, count_v, rows_v, su, sv, geo, thickness, heights, weights,
                    law, bound, state, old, slot, fresh, tangent, force, energy, upper, left):
    """Elements marked in todo of rows first to last (not included) along u.

    x, force (3 points + 8,) by component; su (rows, 2, 3, 3); sv, geo, state flat as packed
    by :mod:`simkit.shell.bundle.packing`; thickness one for all, mm; bound (MPa^2) an extra limit
    of the yield check, infinite to forbid yielding. Adds to force; writes energy (elements, 2) N
    mm, the states of elements that flow to fresh[slot[element]] (slot -1 before), with a tangent
    upper[element] (upper triangle, symmetrised), and left[element]: True where the element is left
    to the full kernel, nothing of it added. Returns how many elements flow.
    """
    points, count, bundles = (x.size - LANES) // 3, 0, bundles_along(count_v)
    wk, ke, small = aligned(ROWS * LANES), aligned(ENTRIES * LANES), np.zeros((6, 9))
    w, to, place, out = address(wk), address(ke), address(x), address(force)
    shapes, reference, states = address(sv), address(geo), address(state)
    geo_step, state_step = GEO_ROWS * ROW_BYTES, heights.size * STATE_ROWS * ROW_BYTES
    for eu in range(first, last):
        for part in range(bundles):
            el, n = eu * count_v + part * LANES, min(LANES, count_v - part * LANES)
            if not np.any(todo[el:el + n]):
                continue
            at = eu * rows_v + part * LANES
            _begin(w, wk, todo, el, n)
            if tangent:
                ke[:] = 0.0
            load_control(w, place, at, rows_v, points)
            for gp in range(GAUSS):
                number = (eu * bundles + part) * GAUSS + gp
                load_reference(w, gp, eu, su, shapes + part * SHAPE_ROWS * ROW_BYTES,
                               reference + number * geo_step)
                find_surface(w)
                find_strains(w)
                count = _section(w, wk, n, el, gp, thickness, heights, weights, law, bound,
                                 states + number * state_step, old, slot, fresh, count, tangent,
                                 small)
                make_forces(w)
                if tangent:
                    _stiffness(w, to)
            _end(wk, n, el, ke, tangent, energy, upper, left)
            add_forces(w, out, at, rows_v, points)
    return count
