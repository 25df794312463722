"""Numeric multifrontal LDL^T: gather a front, eliminate its pivots, hand on its update.

Duff and Reid 1983 (multifrontal; MEMORY). Arrays named as in `symbolic.Tree`. The pivot columns
of a front are gathered column-major in scratch (rows as in `products`: eights of pivots, then
eights of border), and go to their panel as they are finished. A panel holds L without its unit
diagonal, zero there and above. An update is the lower triangle of a border x border square,
column-major, border filled up to eights; what stands above is left to chance.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import address
from simkit.kernels.teamwork import atomic_most, is_last, open_next, take_group, wait_for
from simkit.solve.linear.elimination import PRODUCTS, factor_panel
from simkit.solve.linear.products import add_products
from simkit.solve.linear.tiles import add_stretch8

SHARES = 8  # parts in which new values are compared with old ones


@njit(cache=True, nogil=True)
def add_to_parent(
    update: np.ndarray,
    border: int,
    runs: np.ndarray,
    target: np.ndarray,
    start: int,
    rows: int,
    low: int,
    high: int,
) -> None:
    """Add the columns of an update that fall on front columns low to high - 1.

    Entry (i, j) of the front stands at target[start + (j - low) * rows + i]; for the border's
    own square, whose rows begin at low, `start` is passed smaller by low.
    """
    to0, from0 = address(target) + 8 * start, address(update)
    for a in range(runs.shape[0]):
        from_c, to_c, length = runs[a, 0], runs[a, 1], runs[a, 2]
        if to_c < low or to_c >= high:
            continue
        for j in range(length):
            column = from0 + 8 * (from_c + j) * border
            into = to0 + 8 * (to_c + j - low) * rows
            add_stretch8(into + 8 * (to_c + j), column + 8 * (from_c + j), length - j)
            for b in range(a + 1, runs.shape[0]):
                add_stretch8(into + 8 * runs[b, 1], column + 8 * runs[b, 0], runs[b, 2])


@njit(cache=True, nogil=True)
def gather_values(
    data: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    low: int,
    high: int,
    front: np.ndarray,
) -> float:
    """Put the values of a block into its front; return the largest in magnitude."""
    largest = 0.0
    for e in range(low, high):
        value = data[entry_from[e]]
        front[entry_to[e]] = value
        largest = max(largest, abs(value))
    return largest


@njit(cache=True, nogil=True)
def factor_blocks(
    blocks: np.ndarray,
    data: np.ndarray,
    first: np.ndarray,
    child_ptr: np.ndarray,
    child: np.ndarray,
    border_ptr: np.ndarray,
    run_ptr: np.ndarray,
    runs: np.ndarray,
    entry_ptr: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    panel_ptr: np.ndarray,
    place: np.ndarray,
    panel: np.ndarray,
    updates: np.ndarray,
    d: np.ndarray,
    lifted: np.ndarray,
    front: np.ndarray,
    scratch: np.ndarray,
    perturb: bool,
) -> int:
    """Factor these blocks in turn; return the position of an unusable pivot, or -1.

    `place` is the start of each block's update; `lifted` counts lifted pivots by block. The
    update first gets the block's own part, then its children's: it need not be zeroed.
    """
    for s in blocks:
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8 * 8
        border = (border_ptr[s + 1] - border_ptr[s] + 7) // 8 * 8
        rows = own + border
        start = panel_ptr[s]
        front[: rows * own] = 0.0
        scale = gather_values(data, entry_from, entry_to, entry_ptr[s], entry_ptr[s + 1], front)
        for k in range(child_ptr[s], child_ptr[s + 1]):
            c = child[k]
            add_to_parent(
                updates[place[c] :], (border_ptr[c + 1] - border_ptr[c] + 7) // 8 * 8,
                runs[run_ptr[c] : run_ptr[c + 1]], front, 0, rows, 0, own,
            )
        bad, lifted[s] = factor_panel(
            panel, start, rows, pivots, front, d[first[s] :], scale, perturb, scratch
        )
        if bad >= 0:
            return first[s] + bad
        if border == 0:
            continue
        u0 = address(updates) + 8 * (place[s] - own * border - own)
        add_products(
            panel, start, pivots, d[first[s] :], 0, pivots, own // 8, rows // 8, rows // 8,
            u0, border, False, scratch[PRODUCTS:],
        )
        for k in range(child_ptr[s], child_ptr[s + 1]):
            c = child[k]
            add_to_parent(
                updates[place[c] :], (border_ptr[c + 1] - border_ptr[c] + 7) // 8 * 8,
                runs[run_ptr[c] : run_ptr[c + 1]], updates, place[s] - own, border,
                own, rows,
            )
    return -1


@njit(cache=True, nogil=True)
def factor_stages(
    board: np.ndarray,
    stage_ptr: np.ndarray,
    group_ptr: np.ndarray,
    listed: np.ndarray,
    todo: np.ndarray,
    worst: np.ndarray,
    new: np.ndarray,
    block: np.ndarray,
    keeper: np.ndarray,
    parent: np.ndarray,
    data: np.ndarray,
    first: np.ndarray,
    child_ptr: np.ndarray,
    child: np.ndarray,
    border_ptr: np.ndarray,
    run_ptr: np.ndarray,
    runs: np.ndarray,
    entry_ptr: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    panel_ptr: np.ndarray,
    place: np.ndarray,
    panel: np.ndarray,
    updates: np.ndarray,
    d: np.ndarray,
    lifted: np.ndarray,
    front: np.ndarray,
    scratch: np.ndarray,
    perturb: bool,
) -> None:
    """Take one thread's share of factoring the blocks that new values reach.

    Data become the new values, where there are such (one stage more), and `todo`, a mask of the
    blocks whose values differ, that of all to be factored again. Nothing is done after a stage
    with an unusable pivot, whose position `worst` (1,) then is, or one with values that are not
    finite, when it is n.
    """
    stages, n = stage_ptr.size - 1, first[-1]
    if new.size > 0:
        g = take_group(board, stages, SHARES)
        while g >= 0:
            low, high = new.size // 16 * g // SHARES * 16, new.size // 16 * (g + 1) // SHARES * 16
            if g == SHARES - 1:
                high = new.size
            if not take_changes(data[low:high], new[low:high], block[low:high], todo):
                atomic_most(address(worst), n)
            if is_last(board, stages, SHARES):
                reach_blocks(parent, keeper, todo)
                open_next(board, stages, 1 if worst[0] < 0 else 2)
            g = take_group(board, stages, SHARES)
        if wait_for(board, stages) != 1:
            return
    for t in range(stages):
        count = stage_ptr[t + 1] - stage_ptr[t]
        g = take_group(board, t, count)
        while g >= 0:
            group = listed[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            bad = factor_blocks(
                group[todo[group]], data, first, child_ptr, child, border_ptr, run_ptr, runs,
                entry_ptr, entry_from, entry_to, panel_ptr, place, panel, updates, d, lifted,
                front, scratch, perturb,
            )
            atomic_most(address(worst), bad)
            if is_last(board, t, count):
                open_next(board, t, 1 if worst[0] < 0 else 2)
            g = take_group(board, t, count)
        if wait_for(board, t) != 1:
            return


@njit(cache=True, nogil=True)
def take_changes(
    old: np.ndarray, new: np.ndarray, block: np.ndarray, changed: np.ndarray
) -> bool:
    """Copy new values over old ones; mark in `changed` the blocks whose values differ.

    `block` gives the block of each value. Returns whether all that differ are finite.
    """
    old_bits, new_bits = old.view(np.int64), new.view(np.int64)
    finite = True
    whole = old.size // 16 * 16
    for low in range(0, old.size, 16):
        if low < whole:
            one, two = old_bits[low : low + 16], new_bits[low : low + 16]
            differ = 0
            for k in range(16):
                differ |= one[k] ^ two[k]
            if differ == 0:
                continue
        for k in range(low, min(low + 16, old.size)):
            if old_bits[k] != new_bits[k]:
                finite &= abs(new[k]) < np.inf
                changed[block[k]] = True
                old[k] = new[k]
    return finite


@njit(cache=True)
def block_of_values(entry_ptr: np.ndarray, entry_from: np.ndarray) -> np.ndarray:
    """Return the block of each value of the data."""
    block = np.empty(entry_from.size, np.int32)
    for s in range(entry_ptr.size - 1):
        for e in range(entry_ptr[s], entry_ptr[s + 1]):
            block[entry_from[e]] = s
    return block


@njit(cache=True, nogil=True)
def reach_blocks(parent: np.ndarray, keeper: np.ndarray, result: np.ndarray) -> None:
    """Mark the blocks to factor again where marked ones hold new values.

    All blocks above a change, and all below whose updates were not kept for them.
    """
    mark_above(parent, result)
    for s in range(parent.size - 1, -1, -1):
        if keeper[s] != s and result[parent[s]]:
            result[s] = True


@njit(cache=True, nogil=True)
def mark_above(parent: np.ndarray, marked: np.ndarray) -> None:
    """Mark all blocks above marked ones."""
    for s in range(parent.size):
        if marked[s] and parent[s] >= 0:
            marked[parent[s]] = True
