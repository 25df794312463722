"""Assembly of all marked elements, bundle by bundle."""

from __future__ import annotations

import numba as nb

from simkit.kernels.simd import (
    LANES,
    ROW_BYTES,
    address,
    aligned,
    broadcast8,
    broadcast_load8,
    prefetch,
)
from simkit.kernels.vectors import any8, load, store
from simkit.material.j2 import LAW_HEADER
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
from simkit.shell.bundle.records import LawNumbers
from simkit.shell.bundle.rows import (
    ACTIVE,
    ENTRIES,
    NODAL_FORCES,
    OUT_OF_RANGE,
    PLASTIC_WORK,
    ROWS,
    STORED,
    YIELDING,
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
"""Number of Gauss points by which data are prefetched; they come from main memory."""


@nb.njit(cache=True)
def _begin(wk, ke, todo, el, n, tangent):
    """Set all sums of the bundle to zero and activate the lanes of marked elements.

    wk (ROWS * LANES,) scratch; ke (ENTRIES * LANES,) tangents; todo (elements,); n lanes from
    element el on.
    """
    if tangent:
        ke[:] = 0.0
    wk[NODAL_FORCES * LANES : (NODAL_FORCES + 27) * LANES] = 0.0
    for r in (OUT_OF_RANGE, STORED, PLASTIC_WORK):
        wk[r * LANES : (r + 1) * LANES] = 0.0
    for lane in range(LANES):
        wk[ACTIVE * LANES + lane] = 1.0 if lane < n and todo[el + lane] else 0.0


@nb.njit(cache=True, inline="always")
def _stiffness(w, ke):
    """Add the tangent of one Gauss point; w and ke are addresses."""
    make_matrix(w)
    for i in range(9):
        spread_matrix(w, i)
        for r in range(3):
            add_pairs(w, i, r, ke)


@nb.njit(cache=True)
def _end(wk, n, el, ke, turned, tangent, places, sums):
    """Write the results of each element; deactivate lanes outside the range of the series.

    wk (ROWS * LANES,) scratch; n lanes from element el on; ke and turned (ENTRIES * LANES,) the
    tangents ordered by entry and by element; places and sums as in :func:`bundle_rows`.
    """
    left, energy, upper = sums.left, sums.energy, sums.upper
    if tangent:
        turn(ke, turned)
    for lane in range(n):
        if wk[ACTIVE * LANES + lane] == 0.0:
            continue
        left[el + lane] = wk[OUT_OF_RANGE * LANES + lane] != 0.0
        if left[el + lane]:
            wk[ACTIVE * LANES + lane] = 0.0
            continue
        energy[el + lane, 0] = wk[STORED * LANES + lane]
        energy[el + lane, 1] = wk[PLASTIC_WORK * LANES + lane]
        if tangent:
            exchange(turned[lane * ENTRIES:(lane + 1) * ENTRIES], upper[el + lane],
                     places[el + lane], sums.data)


@nb.njit(cache=True, inline="always")
def _prefetch_rows(place, rows):
    """Prefetch some rows; they may lie beyond the end of the array."""
    for line in range(rows):
        prefetch(place + line * ROW_BYTES)


@nb.njit(cache=True)
def _law_numbers(law):
    """:class:`simkit.shell.bundle.records.LawNumbers` of a packed sheet law."""
    young, nu, terms = law[0], law[1], int(law[3])
    c1, g1 = (law[4], law[5]) if terms > 0 else (0.0, 0.0)
    c2, g2 = (law[6], law[7]) if terms > 1 else (0.0, 0.0)
    return LawNumbers(young / (1.0 - nu), 0.5 * young / (1.0 + nu), 0.5 * young / (1.0 - nu),
                      1.5 * young / (1.0 + nu), int(law[2]), terms, c1, g1, c2, g2,
                      address(law) + 8 * LAW_HEADER)


@nb.njit(cache=True, nogil=True)
def bundle_rows(board, strips, todo, x, grid, section, states, tangent, sums):
    """Assemble one thread's share of the elements marked in todo (elements,).

    The work is divided into strips as in :func:`to_next`. x (3 points + 8,) control points by
    component, mm; the other arguments are records of :mod:`simkit.shell.bundle.records`. Writes
    energies, the states of elements that yield and the forces of each strip, which must be zero
    before; with ``tangent`` also the upper triangles and the change of the matrix. Nothing is added
    for an element that is left to the full kernel.
    """
    parts, ptr, count_v, rows_v = sums.parts, strips.ptr, grid.count_v, grid.rows_v
    points, own = (x.size - LANES) // 3, (parts.shape[1] - LANES) // 3
    bundles = bundles_along(count_v)
    wk, ke, turned = aligned(ROWS * LANES), aligned(ENTRIES * LANES), aligned(ENTRIES * LANES)
    w, to, out, walk = address(wk), address(ke), address(parts), new_walk()
    law, layers, overlap = _law_numbers(section.law), section.heights.size, strips.overlap
    z0, weight0 = address(section.heights), address(section.weights)
    ups, shapes, reference = address(grid.shape_u), address(grid.shape_v), address(grid.geometry)
    packed, geo_step, layer_step = (address(states.packed), GEO_ROWS * ROW_BYTES,
                                    STATE_ROWS * ROW_BYTES)
    state_step = layers * layer_step
    while to_next(walk, board, ptr, overlap if tangent else 0, todo, count_v):
        strip, eu, part = walk[AT_STRIP], walk[AT_ROW], walk[AT_PART]
        el, n = eu * count_v + part * LANES, min(LANES, count_v - part * LANES)
        _begin(wk, ke, todo, el, n, tangent)
        load_control(w, address(x), eu * rows_v + part * LANES, rows_v, points)
        for gp in range(GAUSS):
            number = (eu * bundles + part) * GAUSS + gp
            load_reference(w, gp, ups + (eu * 2 + gp // 2) * 72,
                           shapes + part * SHAPE_ROWS * ROW_BYTES, reference + number * geo_step)
            _prefetch_rows(reference + (number + AHEAD_POINTS) * geo_step, GEO_ROWS)
            find_surface(w)
            find_strains(w)
            for k in range(layers):
                thickness = broadcast8(section.thickness)
                z = broadcast_load8(z0 + 8 * k) * thickness
                weight = broadcast_load8(weight0 + 8 * k) * thickness
                logarithms(w, z)
                now = packed + number * state_step + k * layer_step
                _prefetch_rows(now + AHEAD_POINTS * state_step, STATE_ROWS)
                try_elastic(w, now, broadcast8(law.d1), broadcast8(law.shear),
                            broadcast8(section.bound))
                if section.bound < 0.0:  # yielding is left to the full kernel
                    store(w, OUT_OF_RANGE, load(w, OUT_OF_RANGE) + load(w, YIELDING))
                elif any8(load(w, YIELDING)):
                    one = states_before(wk, n, el, gp, k, states, walk, law.terms)
                    if one >= 0:
                        map_lanes(w, now, one, law, tangent)
                        states_after(wk, n, el, gp, k, states, law.terms)
                add_layer(w, z, weight)
                if tangent:
                    add_stiff_layer(w, z, weight)
            make_forces(w)
            if tangent:
                _stiffness(w, to)
        _end(wk, n, el, ke, turned, tangent, grid.places, sums)
        add_forces(w, out + 8 * strip * parts.shape[1],
                   (eu - ptr[strip]) * rows_v + part * LANES, rows_v, own)


@nb.njit(cache=True)
def add_strips(parts, ptr, rows_v, force):
    """Add the forces of all strips, always in the same order, to force (points, 3)."""
    points = (parts.shape[1] - LANES) // 3
    for g in range(ptr.size - 1):
        begin = ptr[g] * rows_v
        for k in range(min(points, force.shape[0] - begin)):
            for c in range(3):
                force[begin + k, c] += parts[g, c * points + k]
