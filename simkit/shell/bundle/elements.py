"""The elements of a mask, bundle by bundle."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import LANES, address, aligned, fetch, same8, spread8
from simkit.kernels.vectors import ROW_BYTES, keep, row, some8
from simkit.material.j2 import HEADER
from simkit.shell.bundle.flow import map_lanes, states_after, states_before
from simkit.shell.bundle.layers import (
    add_layer,
    add_stiff_layer,
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
from simkit.shell.bundle.rows import (
    ACTIVE,
    ENTRIES,
    FLOW,
    MARK,
    NODE,
    ROWS,
    SPENT,
    STORED,
)
from simkit.shell.bundle.surface import (
    add_forces,
    find_strains,
    find_surface,
    load_control,
    load_reference,
    make_forces,
)
from simkit.shell.bundle.tangent import add_pairs, make_matrix, spread_matrix, turn
from simkit.shell.bundle.walk import AT_PART, AT_ROW, AT_STRIP, new_walk, to_next
from simkit.shell.kept import exchange

AHEAD_POINTS = 2
"""Gauss points by which data are asked for ahead: they come from memory, a page at a time."""


@nb.njit(cache=True)
def _begin(wk, ke, todo, el, n, tangent):
    """Nothing summed up yet; lanes at work are those of marked elements."""
    if tangent:
        ke[:] = 0.0
    wk[NODE * LANES : (NODE + 27) * LANES] = 0.0
    for r in (MARK, STORED, SPENT):
        wk[r * LANES : (r + 1) * LANES] = 0.0
    for lane in range(LANES):
        wk[ACTIVE * LANES + lane] = 1.0 if lane < n and todo[el + lane] else 0.0


@nb.njit(cache=True, inline="always")
def _stiffness(w, ke):
    """Add the tangent of one Gauss point."""
    make_matrix(w)
    for i in range(9):
        spread_matrix(w, i)
        for r in range(3):
            add_pairs(w, i, r, ke)


@nb.njit(cache=True)
def _end(wk, n, el, ke, turned, tangent, energy, upper, places, data, left):
    """Write out what is kept by element; lanes beyond the series are no longer at work."""
    if tangent:
        turn(ke, turned)
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
            exchange(turned[lane * ENTRIES:(lane + 1) * ENTRIES], upper[el + lane],
                     places[el + lane], data)


@nb.njit(cache=True, inline="always")
def _fetch_rows(place, rows):
    """Ask for some rows ahead of their use; they need not exist."""
    for line in range(rows):
        fetch(place + line * ROW_BYTES)


@nb.njit(cache=True)
def _constants(law):
    """Elastic constants of s and of d, g; kind of law; C and gamma of two backstress terms."""
    c1, g1 = (law[4], law[5]) if law[3] > 0.0 else (0.0, 0.0)
    c2, g2 = (law[6], law[7]) if law[3] > 1.0 else (0.0, 0.0)
    return (law[0] / (1.0 - law[1]), 0.5 * law[0] / (1.0 + law[1]), int(law[2]), c1, g1, c2, g2)


@nb.njit(cache=True, nogil=True)
def bundle_rows(board, ptr, overlap, todo, x, count_v, rows_v, su, sv, geo, thickness, heights,
                weights, law, bound, state, old, slot, fresh, tangent, parts, energy, upper, places,
                data, left):
    """One thread's share of all elements marked in todo, in strips as :func:`to_next` has them.

    x (3 points + 8,) by component; parts (strips, 3 points of a strip + 8) likewise the forces of
    each, zero before; count_v, rows_v elements and control points along v; su (rows, 2, 3, 3); sv,
    geo, state flat as packed by :mod:`simkit.shell.bundle.packing`; thickness one for all, mm;
    bound (MPa^2) an extra limit of the yield check, infinite to forbid yielding, negative to leave
    what may yield to the full kernel. Writes energy
    (elements, 2) N mm, the states of elements that flow to fresh[slot[element]] (slot -1 before),
    with a tangent upper[element] (upper triangle, symmetrised), its change added to the matrix
    data by places[element], and left[element]: True where the element is left to the full kernel,
    nothing of it added.
    """
    points, own = (x.size - LANES) // 3, (parts.shape[1] - LANES) // 3
    bundles = bundles_along(count_v)
    wk, ke, turned = aligned(ROWS * LANES), aligned(ENTRIES * LANES), aligned(ENTRIES * LANES)
    w, to, out, walk = address(wk), address(ke), address(parts), new_walk()
    d1, shear, kind, c1, g1, c2, g2 = _constants(law)
    z0, weight0, rule = address(heights), address(weights), address(law) + 8 * HEADER
    ups, shapes, reference, states = address(su), address(sv), address(geo), address(state)
    geo_step, layer_step = GEO_ROWS * ROW_BYTES, STATE_ROWS * ROW_BYTES
    state_step = heights.size * layer_step
    while to_next(walk, board, ptr, overlap if tangent else 0, todo, count_v):
        strip, eu, part = walk[AT_STRIP], walk[AT_ROW], walk[AT_PART]
        el, n = eu * count_v + part * LANES, min(LANES, count_v - part * LANES)
        _begin(wk, ke, todo, el, n, tangent)
        load_control(w, address(x), eu * rows_v + part * LANES, rows_v, points)
        for gp in range(GAUSS):
            number = (eu * bundles + part) * GAUSS + gp
            load_reference(w, gp, ups + (eu * 2 + gp // 2) * 72,
                           shapes + part * SHAPE_ROWS * ROW_BYTES, reference + number * geo_step)
            _fetch_rows(reference + (number + AHEAD_POINTS) * geo_step, GEO_ROWS)
            find_surface(w)
            find_strains(w)
            for k in range(heights.size):
                z, weight = spread8(z0 + 8 * k) * same8(thickness), spread8(weight0 + 8 * k)
                weight = weight * same8(thickness)
                logarithms(w, z)
                now = states + number * state_step + k * layer_step
                _fetch_rows(now + AHEAD_POINTS * state_step, STATE_ROWS)
                try_elastic(w, now, same8(d1), same8(shear), same8(bound))
                if bound < 0.0:
                    keep(w, MARK, row(w, MARK) + row(w, FLOW))
                elif some8(row(w, FLOW)):
                    one = states_before(wk, n, el, gp, k, law, old, slot, fresh, walk)
                    if one >= 0:
                        map_lanes(w, now, one, law[0], law[1], kind, rule, c1, g1, c2, g2, tangent)
                        states_after(wk, n, el, gp, k, law, slot, fresh)
                add_layer(w, z, weight)
                if tangent:
                    add_stiff_layer(w, z, weight)
            make_forces(w)
            if tangent:
                _stiffness(w, to)
        _end(wk, n, el, ke, turned, tangent, energy, upper, places, data, left)
        add_forces(w, out + 8 * strip * parts.shape[1],
                   (eu - ptr[strip]) * rows_v + part * LANES, rows_v, own)


@nb.njit(cache=True)
def add_strips(parts, ptr, rows_v, force):
    """Add the forces of all strips, in their order, to force (points, 3)."""
    points = (parts.shape[1] - LANES) // 3
    for g in range(ptr.size - 1):
        begin = ptr[g] * rows_v
        for k in range(min(points, force.shape[0] - begin)):
            for c in range(3):
                force[begin + k, c] += parts[g, c * points + k]
