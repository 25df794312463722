"""Return mapping of the lanes of a bundle that yield: :mod:`simkit.material.j2`, eight at once.

Lanes that do not yield go along as copies of the first that does; nothing of them is written.
"""

from __future__ import annotations

import numba as nb

from simkit.kernels.powers import exponential8, power8
from simkit.kernels.simd import LANES, largest8, same8, spread8
from simkit.kernels.vectors import (
    ROW_BYTES,
    beyond8,
    gather8,
    keep,
    larger8,
    pick8,
    root8,
    row,
    some8,
    whole_at,
)
from simkit.material.j2 import BASE, SWIFT, TABLE, VOCE
from simkit.shell.bundle.rows import (
    FLOW,
    LOG,
    MARK,
    MISES,
    NEW,
    PART,
    PAST,
    SLOPE,
    SPOT,
    TRIAL,
    XI,
    XI_U,
    C,
    T,
)
from simkit.shell.bundle.walk import FREE

MOST = 80
"""Iterations for the plastic increment; bisection alone ends sooner."""


@nb.njit(cache=True)
def _copy(old, el, fresh, to):
    """Copy the states of an element (by itself: numba takes seconds to compile it for arrays)."""
    for gp in range(old.shape[1]):
        for layer in range(old.shape[2]):
            for r in range(old.shape[3]):
                fresh[to, gp, layer, r] = old[el, gp, layer, r]


@nb.njit(cache=True)
def states_before(wk, n, el, gp, layer, law, old, slot, fresh, walk):
    """Copy the states of the lanes that yield in one layer to the scratch ``wk``.

    The others as in :func:`bundle_rows`; walk[FREE] is the next free place in fresh. Returns the
    first such lane, -1 if marks leave none.
    """
    first = -1
    for lane in range(n - 1, -1, -1):
        if wk[MARK * LANES + lane] > 0.0:
            wk[FLOW * LANES + lane] = 0.0
        if wk[FLOW * LANES + lane] == 0.0:
            continue
        first = lane
        if slot[el + lane] < 0:
            slot[el + lane] = walk[FREE]
            _copy(old, el + lane, fresh, walk[FREE])
            walk[FREE] += 1
    if first < 0:
        return first
    numbers = 3 * int(law[3])
    wk[(PAST + 1) * LANES:(PAST + 7) * LANES] = 0.0
    for lane in range(LANES):
        source = lane if wk[FLOW * LANES + lane] != 0.0 else first
        before = old[el + source, gp, layer]
        wk[PAST * LANES + lane] = before[3]
        for r in range(numbers):
            wk[(PAST + 1 + r) * LANES + lane] = before[BASE + r]
    return first


@nb.njit(cache=True)
def states_after(wk, n, el, gp, layer, law, slot, fresh):
    """Copy the new states of the lanes that yield from the scratch."""
    for lane in range(n):
        if wk[FLOW * LANES + lane] == 0.0:
            continue
        after = fresh[slot[el + lane], gp, layer]
        for r in range(BASE + 3 * int(law[3])):
            after[r] = wk[(NEW + r) * LANES + lane]


@nb.njit(cache=True, inline="always")
def _flow_stress(w, p, kind, law):
    """Flow stress and its slope at p, to the rows MISES and SLOPE; law is an address."""
    if kind == SWIFT:
        base = spread8(law + 8) + p
        stress = spread8(law) * power8(base, spread8(law + 16))
        keep(w, MISES, stress)
        keep(w, SLOPE, spread8(law + 16) * stress / base)
    elif kind == VOCE:
        rate = spread8(law + 16)
        fall = exponential8(larger8(same8(0.0) - rate * p, same8(-600.0)))
        gap = (spread8(law + 8) - spread8(law)) * fall
        keep(w, MISES, spread8(law + 8) - gap + spread8(law + 24) * p)
        keep(w, SLOPE, rate * gap + spread8(law + 24))
    else:
        _read_table(w, p, law)


@nb.njit(cache=True, inline="always")
def _read_table(w, p, law):
    """The same from a table, from the interval SPOT on, where the last look at it ended."""
    one, spot, last = same8(1.0), row(w, SPOT), spread8(law) - same8(2.0)
    strains = law + 8
    while True:
        ahead = beyond8(last, spot) * (one - beyond8(gather8(strains + 8, spot), p))
        back = beyond8(spot, same8(0.0)) * beyond8(gather8(strains, spot), p)
        if not some8(ahead + back):
            break
        spot = spot + ahead - back
    keep(w, SPOT, spot)
    stresses = strains + 8 * whole_at(law)
    p0, s0 = gather8(strains, spot), gather8(stresses, spot)
    p1, s1 = gather8(strains + 8, spot), gather8(stresses + 8, spot)
    slope = (s1 - s0) / (p1 - p0)
    beyond = one - beyond8(p1, p)  # of the last interval: others end before p does
    keep(w, MISES, pick8(beyond, s1, s0 + slope * (p - p0)))
    keep(w, SLOPE, pick8(beyond, same8(0.0), slope))


@nb.njit(cache=True, inline="always")
def _find_spot(w, p, law):
    """Interval of the table in which p lies, by halves."""
    last, spot, step = spread8(law) - same8(2.0), same8(0.0), 1
    while step < whole_at(law):
        step *= 2
    while step > 0:
        ahead = spot + same8(float(step))
        over = beyond8(ahead, last)
        ahead = pick8(over, last, ahead)
        spot = pick8(beyond8(gather8(law + 8, ahead), p), spot, ahead)
        step //= 2
    keep(w, SPOT, spot)


@nb.njit(cache=True, inline="always")
def _scalar_terms(w, u, q, h, m1, m2, c1, g1, c2, g2):
    """xi and d xi / du at increment u, and the von Mises size of xi with its slope."""
    one = same8(1.0)
    a, b = one / (one + same8(g1) * u), one / (one + same8(g2) * u)
    a_u, b_u = same8(-g1) * a * a, same8(-g2) * b * b
    stiff = a * same8(c1) + b * same8(c2)
    stiff_u = a_u * same8(c1) + b_u * same8(c2)
    iq = one / q
    ratio = u * iq
    ratio_u = (q - u * h) * iq * iq
    l1, l2 = same8(m1) + stiff, same8(m2) + stiff
    iw1, iw2 = one / (one + ratio * l1), one / (one + ratio * l2)
    w1_u, w2_u = ratio_u * l1 + ratio * stiff_u, ratio_u * l2 + ratio * stiff_u
    for r in range(3):
        first, second = row(w, PAST + 1 + r), row(w, PAST + 4 + r)
        iw, w_u = iw1, w1_u
        if r > 0:
            iw, w_u = iw2, w2_u
        xi = (row(w, TRIAL + r) - a * first - b * second) * iw
        keep(w, XI + r, xi)
        keep(w, XI_U + r, (same8(0.0) - a_u * first - b_u * second - xi * w_u) * iw)
    x0, x1, x2 = row(w, XI), row(w, XI + 1), row(w, XI + 2)
    quarter, three = same8(0.25), same8(3.0)
    mises = root8(quarter * x0 * x0 + same8(0.75) * x1 * x1 + three * x2 * x2)
    keep(w, MISES, mises)
    keep(w, SLOPE, (quarter * x0 * row(w, XI_U) + same8(0.75) * x1 * row(w, XI_U + 1)
                    + three * x2 * row(w, XI_U + 2)) / mises)


@nb.njit(cache=True, inline="always")
def map_lanes(w, state, first, young, nu, kind, law, c1, g1, c2, g2, tangent):
    """Fill stress, energies, tangent and new state of the lanes that yield, of which ``first`` is
    one. ``w``, ``state`` and ``law`` are the addresses of the scratch, of the layer's packed rows
    and of the numbers of the law; c and g those of two backstress terms, zero if there are less.
    """
    one, half, nothing = same8(1.0), same8(0.5), same8(0.0)
    flow, shear = row(w, FLOW), 0.5 * young / (1.0 + nu)
    m1, m2 = 0.5 * young / (1.0 - nu), 1.5 * young / (1.0 + nu)
    at = w + 8 * first
    for r in range(3):
        twice = same8(2.0) if r < 2 else one
        keep(w, TRIAL + r, twice * pick8(flow, row(w, T + r), spread8(at + ROW_BYTES * (T + r))))
    square = pick8(flow, row(state, 6), spread8(state + 8 * first + ROW_BYTES * 6))
    p, q0 = row(w, PAST), root8(square) * same8(1.0 - 1e-12)
    if kind == TABLE:
        _find_spot(w, p, law)
    u, q, h, low, high = nothing, q0, nothing, nothing, nothing
    for round_ in range(MOST + 1):
        _flow_stress(w, p + u, kind, law)
        q, h = row(w, MISES), row(w, SLOPE)
        _scalar_terms(w, u, q, h, m1, m2, c1, g1, c2, g2)
        mises = row(w, MISES)
        if round_ == 0:  # the first guess, and a bound beyond the root
            u = (mises - q0) / (same8(3.0 * shear) + larger8(h, nothing))
            high = mises / same8(0.5 * shear) + same8(1e-12)
            continue
        gap = mises - q
        off = beyond8(largest8(gap, nothing), same8(1e-12) * q)
        if not some8(off) or round_ == MOST:
            break
        above = beyond8(gap, nothing)
        low, high = pick8(above, u, low), pick8(above, high, u)
        step = u - gap / (row(w, SLOPE) - h)
        inside = beyond8(step, low) * beyond8(high, step) * (one - beyond8(step, high))
        step = pick8(inside, step, half * (low + high))
        step = pick8(off, step, u)
        if not some8(step - u):
            break
        u = step
    _finish(w, u, q, q0, m1 * 2.0, shear, c1, g1, c2, g2)
    if tangent:
        _stiffness(w, u, q, h, m1 * 2.0, shear, c1, g1, c2, g2)


@nb.njit(cache=True, inline="always")
def _finish(w, u, q, q0, d1, shear, c1, g1, c2, g2):
    """Stress, energies and new state after a plastic increment u."""
    one, half, flow = same8(1.0), same8(0.5), row(w, FLOW)
    step = u / q
    held, work = same8(0.0), half * (q0 + q) * u
    for r in range(3):
        share, stiff = same8(0.5 if r < 2 else 1.0), same8(0.5 * d1 if r == 0 else shear)
        xi = row(w, XI + r)
        plastic = same8(0.5 if r == 0 else (1.5 if r == 1 else 3.0)) * step * xi
        stress = share * row(w, TRIAL + r) - stiff * plastic
        elastic = stress / stiff
        keep(w, NEW + r, row(w, LOG + r) - elastic)
        keep(w, T + r, pick8(flow, stress, row(w, T + r)))
        held = held + half * stress * elastic
        for k in range(2):
            c, g = same8(c1 if k == 0 else c2), same8(g1 if k == 0 else g2)
            before = row(w, PAST + 1 + 3 * k + r)
            after = (before + c * step * xi) / (one + g * u)
            keep(w, NEW + 5 + 3 * k + r, after)
            work = work + half * share * (before + after) * plastic
    keep(w, NEW + 3, row(w, PAST) + u)
    keep(w, NEW + 4, row(w, PART + 5) + work)
    keep(w, PART + 4, pick8(flow, held, row(w, PART + 4)))
    keep(w, PART + 5, pick8(flow, row(w, NEW + 4), row(w, PART + 5)))


@nb.njit(cache=True, inline="always")
def _stiffness(w, u, q, h, d1, shear, c1, g1, c2, g2):
    """Consistent tangent, its symmetric part. Columns and rows of the product replace xi_u, xi."""
    one, flow = same8(1.0), row(w, FLOW)
    stiff = same8(c1) / (one + same8(g1) * u) + same8(c2) / (one + same8(g2) * u)
    ratio, ratio_u = u / q, (q - u * h) / (q * q)
    all_rows = one / (row(w, MISES) * (row(w, SLOPE) - h))
    for i in range(3):
        lam = same8(0.5 * d1 if i == 0 else 3.0 * shear)
        own, share = same8(shear if i == 2 else (d1 if i == 0 else 2.0 * shear)), same8(
            1.0 if i == 2 else 0.5)
        metric = same8(0.25 if i == 0 else (0.75 if i == 1 else 3.0))
        grown = one / (one + ratio * (lam + stiff))
        xi = row(w, XI + i)
        keep(w, XI_U + i, share * lam * (ratio * row(w, XI_U + i) + ratio_u * xi))
        keep(w, XI + i, metric * own * xi * grown * all_rows)
        keep(w, TRIAL + i, share * own * (one - lam * ratio * grown))
    k = 0
    for i in range(3):
        for j in range(i, 3):
            c = same8(0.5) * (row(w, XI_U + i) * row(w, XI + j) + row(w, XI_U + j) * row(w, XI + i))
            if i == j:
                c = c + row(w, TRIAL + i)
            keep(w, C + k, pick8(flow, c, row(w, C + k)))
            k += 1
