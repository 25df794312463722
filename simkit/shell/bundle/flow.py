"""Return mapping of the lanes of a bundle that yield; equations as in :mod:`simkit.material.j2`.

Lanes that do not yield compute with a copy of the first lane that does, so that no division by
zero or needless iteration occurs; their results are not used.
"""

from __future__ import annotations

import numba as nb

from simkit.kernels.powers import exp8, pow8
from simkit.kernels.simd import LANES, ROW_BYTES, broadcast8, broadcast_load8, max_abs8
from simkit.kernels.vectors import (
    any8,
    exceeds8,
    gather8,
    load,
    load_int,
    max8,
    select8,
    sqrt8,
    store,
)
from simkit.material.j2 import BACKSTRESS_OFFSET, SWIFT, TABLE, VOCE
from simkit.shell.bundle.rows import (
    INTERVAL,
    LOG_STRAIN,
    MISES,
    MODULI,
    NEW_STATE,
    OLD_STATE,
    OUT_OF_RANGE,
    SERIES,
    SLOPE,
    STRESS,
    TRIAL,
    XI,
    XI_U,
    YIELDING,
)
from simkit.shell.bundle.walk import FREE

MOST_ITERATIONS = 80
"""Most iterations for the plastic increment; bisection alone needs fewer than that."""


@nb.njit(cache=True)
def _copy(old, el, fresh, to):
    """Copy the states of an element, number by number.

    Numba compiles this loop much faster than an assignment of arrays, which takes seconds.
    """
    for gp in range(old.shape[1]):
        for layer in range(old.shape[2]):
            for r in range(old.shape[3]):
                fresh[to, gp, layer, r] = old[el, gp, layer, r]


@nb.njit(cache=True)
def states_before(wk, n, el, gp, layer, states, walk, terms):
    """Copy the states of the lanes that yield in one layer to the scratch ``wk`` (ROWS * LANES,).

    states: :class:`simkit.shell.bundle.records.BundleStates`; walk[FREE] is the next free place in
    states.fresh; terms: number of backstress terms. Returns the first lane that yields, or -1 if
    all yielding lanes are outside the range of the series.
    """
    first, slot, fresh, old = -1, states.slot, states.fresh, states.old
    for lane in range(n - 1, -1, -1):
        if wk[OUT_OF_RANGE * LANES + lane] > 0.0:
            wk[YIELDING * LANES + lane] = 0.0
        if wk[YIELDING * LANES + lane] == 0.0:
            continue
        first = lane
        if slot[el + lane] < 0:
            slot[el + lane] = walk[FREE]
            _copy(old, el + lane, fresh, walk[FREE])
            walk[FREE] += 1
    if first < 0:
        return first
    numbers = 3 * terms
    wk[(OLD_STATE + 1) * LANES:(OLD_STATE + 7) * LANES] = 0.0
    for lane in range(LANES):
        source = lane if wk[YIELDING * LANES + lane] != 0.0 else first
        before = old[el + source, gp, layer]
        wk[OLD_STATE * LANES + lane] = before[3]
        for r in range(numbers):
            wk[(OLD_STATE + 1 + r) * LANES + lane] = before[BACKSTRESS_OFFSET + r]
    return first


@nb.njit(cache=True)
def states_after(wk, n, el, gp, layer, states, terms):
    """Copy the new states of the lanes that yield from the scratch to states.fresh."""
    slot, fresh = states.slot, states.fresh
    for lane in range(n):
        if wk[YIELDING * LANES + lane] == 0.0:
            continue
        after = fresh[slot[el + lane], gp, layer]
        for r in range(BACKSTRESS_OFFSET + 3 * terms):
            after[r] = wk[(NEW_STATE + r) * LANES + lane]


@nb.njit(cache=True, inline="always")
def _flow_stress(w, p, kind, law):
    """Write flow stress and its slope at p to the rows MISES and SLOPE.

    p: equivalent plastic strain; law: address of the numbers of the hardening curve.
    """
    if kind == SWIFT:
        base = broadcast_load8(law + 8) + p
        stress = broadcast_load8(law) * pow8(base, broadcast_load8(law + 16))
        store(w, MISES, stress)
        store(w, SLOPE, broadcast_load8(law + 16) * stress / base)
    elif kind == VOCE:
        rate = broadcast_load8(law + 16)
        fall = exp8(max8(broadcast8(0.0) - rate * p, broadcast8(-600.0)))
        gap = (broadcast_load8(law + 8) - broadcast_load8(law)) * fall
        store(w, MISES, broadcast_load8(law + 8) - gap + broadcast_load8(law + 24) * p)
        store(w, SLOPE, rate * gap + broadcast_load8(law + 24))
    else:
        _read_table(w, p, law)


@nb.njit(cache=True, inline="always")
def _read_table(w, p, law):
    """As `_flow_stress`, from a table; the search starts at the last interval found (INTERVAL)."""
    one, spot, last = broadcast8(1.0), load(w, INTERVAL), broadcast_load8(law) - broadcast8(2.0)
    strains = law + 8
    while True:
        ahead = exceeds8(last, spot) * (one - exceeds8(gather8(strains + 8, spot), p))
        back = exceeds8(spot, broadcast8(0.0)) * exceeds8(gather8(strains, spot), p)
        if not any8(ahead + back):
            break
        spot = spot + ahead - back
    store(w, INTERVAL, spot)
    stresses = strains + 8 * load_int(law)
    p0, s0 = gather8(strains, spot), gather8(stresses, spot)
    p1, s1 = gather8(strains + 8, spot), gather8(stresses + 8, spot)
    slope = (s1 - s0) / (p1 - p0)
    beyond = one - exceeds8(p1, p)  # p past the end of the table: constant stress
    store(w, MISES, select8(beyond, s1, s0 + slope * (p - p0)))
    store(w, SLOPE, select8(beyond, broadcast8(0.0), slope))


@nb.njit(cache=True, inline="always")
def _find_interval(w, p, law):
    """Find the interval of the table that contains p by bisection; write it to INTERVAL."""
    last, spot, step = broadcast_load8(law) - broadcast8(2.0), broadcast8(0.0), 1
    while step < load_int(law):
        step *= 2
    while step > 0:
        ahead = spot + broadcast8(float(step))
        over = exceeds8(ahead, last)
        ahead = select8(over, last, ahead)
        spot = select8(exceeds8(gather8(law + 8, ahead), p), spot, ahead)
        step //= 2
    store(w, INTERVAL, spot)


@nb.njit(cache=True, inline="always")
def _scalar_terms(w, u, q, h, law):
    """Write xi and d xi / du at increment u, and the von Mises stress of xi with its slope.

    u: increment of the equivalent plastic strain; q, h: flow stress and its slope there. With
    a_k = 1 / (1 + g_k u), the relative stress is xi = (trial - sum a_k backstress_k) /
    (1 + (u / q) (m + sum a_k c_k)), see :mod:`simkit.material.j2`; _u marks derivatives by u.
    """
    one = broadcast8(1.0)
    a, b = one / (one + broadcast8(law.g1) * u), one / (one + broadcast8(law.g2) * u)
    a_u, b_u = broadcast8(-law.g1) * a * a, broadcast8(-law.g2) * b * b
    stiff = a * broadcast8(law.c1) + b * broadcast8(law.c2)
    stiff_u = a_u * broadcast8(law.c1) + b_u * broadcast8(law.c2)
    iq = one / q
    ratio = u * iq
    ratio_u = (q - u * h) * iq * iq
    l1, l2 = broadcast8(law.m1) + stiff, broadcast8(law.m2) + stiff
    iw1, iw2 = one / (one + ratio * l1), one / (one + ratio * l2)
    w1_u, w2_u = ratio_u * l1 + ratio * stiff_u, ratio_u * l2 + ratio * stiff_u
    for r in range(3):
        first, second = load(w, OLD_STATE + 1 + r), load(w, OLD_STATE + 4 + r)
        iw, w_u = iw1, w1_u
        if r > 0:
            iw, w_u = iw2, w2_u
        xi = (load(w, TRIAL + r) - a * first - b * second) * iw
        store(w, XI + r, xi)
        store(w, XI_U + r, (broadcast8(0.0) - a_u * first - b_u * second - xi * w_u) * iw)
    x0, x1, x2 = load(w, XI), load(w, XI + 1), load(w, XI + 2)
    quarter, three = broadcast8(0.25), broadcast8(3.0)
    mises = sqrt8(quarter * x0 * x0 + broadcast8(0.75) * x1 * x1 + three * x2 * x2)
    store(w, MISES, mises)
    store(w, SLOPE, (quarter * x0 * load(w, XI_U) + broadcast8(0.75) * x1 * load(w, XI_U + 1)
                     + three * x2 * load(w, XI_U + 2)) / mises)


@nb.njit(cache=True, inline="always")
def map_lanes(w, state, first, law, tangent):
    """Write stress, energies, tangent and new state of the lanes that yield.

    ``first`` is one of these lanes; ``w`` and ``state`` are the addresses of the scratch and of
    the layer's packed rows; law: :class:`simkit.shell.bundle.records.LawNumbers`. Solves
    mises(u) = q(p + u) by Newton's method, kept inside a bracket [low, high] by bisection.
    """
    one, half, nothing = broadcast8(1.0), broadcast8(0.5), broadcast8(0.0)
    flow = load(w, YIELDING)
    at = w + 8 * first
    for r in range(3):
        # STRESS is conjugate to (s, d, g): half of s11 + s22, half of s11 - s22, and s12
        twice = broadcast8(2.0) if r < 2 else one
        stand_in = broadcast_load8(at + ROW_BYTES * (STRESS + r))
        store(w, TRIAL + r, twice * select8(flow, load(w, STRESS + r), stand_in))
    square = select8(flow, load(state, 6), broadcast_load8(state + 8 * first + ROW_BYTES * 6))
    # packed states hold the flow stress times 1 + 1e-12, the threshold of yielding
    p, q0 = load(w, OLD_STATE), sqrt8(square) * broadcast8(1.0 - 1e-12)
    if law.kind == TABLE:
        _find_interval(w, p, law.curve)
    u, q, h, low, high = nothing, q0, nothing, nothing, nothing
    for round_ in range(MOST_ITERATIONS + 1):
        _flow_stress(w, p + u, law.kind, law.curve)
        q, h = load(w, MISES), load(w, SLOPE)
        _scalar_terms(w, u, q, h, law)
        mises = load(w, MISES)
        if round_ == 0:  # the first guess, and an upper bound of the root
            u = (mises - q0) / (broadcast8(3.0 * law.shear) + max8(h, nothing))
            high = mises / broadcast8(0.5 * law.shear) + broadcast8(1e-12)
            continue
        gap = mises - q
        off = exceeds8(max_abs8(gap, nothing), broadcast8(1e-12) * q)
        if not any8(off) or round_ == MOST_ITERATIONS:
            break
        above = exceeds8(gap, nothing)
        low, high = select8(above, u, low), select8(above, high, u)
        step = u - gap / (load(w, SLOPE) - h)
        inside = exceeds8(step, low) * exceeds8(high, step) * (one - exceeds8(step, high))
        step = select8(inside, step, half * (low + high))
        step = select8(off, step, u)
        if not any8(step - u):
            break
        u = step
    _finish(w, u, q, q0, law)
    if tangent:
        _stiffness(w, u, q, h, law)


@nb.njit(cache=True, inline="always")
def _finish(w, u, q, q0, law):
    """Write stress, energies and new state after a plastic increment u.

    u, q: increment and flow stress at its end; q0: flow stress before. The plastic work is
    0.5 (q0 + q) u by the trapezoidal rule plus that of the backstresses.
    """
    one, half, flow = broadcast8(1.0), broadcast8(0.5), load(w, YIELDING)
    step = u / q
    held, work = broadcast8(0.0), half * (q0 + q) * u
    for r in range(3):
        share = broadcast8(0.5 if r < 2 else 1.0)
        stiff = broadcast8(0.5 * law.d1 if r == 0 else law.shear)
        xi = load(w, XI + r)
        plastic = broadcast8(0.5 if r == 0 else (1.5 if r == 1 else 3.0)) * step * xi
        stress = share * load(w, TRIAL + r) - stiff * plastic
        elastic = stress / stiff
        store(w, NEW_STATE + r, load(w, LOG_STRAIN + r) - elastic)
        store(w, STRESS + r, select8(flow, stress, load(w, STRESS + r)))
        held = held + half * stress * elastic
        for k in range(2):
            c = broadcast8(law.c1 if k == 0 else law.c2)
            g = broadcast8(law.g1 if k == 0 else law.g2)
            before = load(w, OLD_STATE + 1 + 3 * k + r)
            after = (before + c * step * xi) / (one + g * u)
            store(w, NEW_STATE + 5 + 3 * k + r, after)
            work = work + half * share * (before + after) * plastic
    store(w, NEW_STATE + 3, load(w, OLD_STATE) + u)
    store(w, NEW_STATE + 4, load(w, SERIES + 5) + work)
    store(w, SERIES + 4, select8(flow, held, load(w, SERIES + 4)))
    store(w, SERIES + 5, select8(flow, load(w, NEW_STATE + 4), load(w, SERIES + 5)))


@nb.njit(cache=True, inline="always")
def _stiffness(w, u, q, h, law):
    """Write the symmetric part of the consistent tangent to MODULI.

    The dyadic product in it is symmetrised; its column and row vectors overwrite XI_U and XI.
    """
    one, flow = broadcast8(1.0), load(w, YIELDING)
    stiff = (broadcast8(law.c1) / (one + broadcast8(law.g1) * u)
             + broadcast8(law.c2) / (one + broadcast8(law.g2) * u))
    ratio, ratio_u = u / q, (q - u * h) / (q * q)
    all_rows = one / (load(w, MISES) * (load(w, SLOPE) - h))
    for i in range(3):
        lam = broadcast8(0.5 * law.d1 if i == 0 else 3.0 * law.shear)
        own = broadcast8(law.shear if i == 2 else (law.d1 if i == 0 else 2.0 * law.shear))
        share = broadcast8(1.0 if i == 2 else 0.5)
        metric = broadcast8(0.25 if i == 0 else (0.75 if i == 1 else 3.0))
        grown = one / (one + ratio * (lam + stiff))
        xi = load(w, XI + i)
        store(w, XI_U + i, share * lam * (ratio * load(w, XI_U + i) + ratio_u * xi))
        store(w, XI + i, metric * own * xi * grown * all_rows)
        store(w, TRIAL + i, share * own * (one - lam * ratio * grown))
    k = 0
    for i in range(3):
        for j in range(i, 3):
            c = broadcast8(0.5) * (load(w, XI_U + i) * load(w, XI + j)
                                   + load(w, XI_U + j) * load(w, XI + i))
            if i == j:
                c = c + load(w, TRIAL + i)
            store(w, MODULI + k, select8(flow, c, load(w, MODULI + k)))
            k += 1
