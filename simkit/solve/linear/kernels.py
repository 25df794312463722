"""Numeric multifrontal LDL^T: assemble a front, eliminate its pivots, form its update matrix.

Duff and Reid 1983 (multifrontal; MEMORY). Arrays are named as in `symbolic.Tree`. The pivot columns
of a front are assembled column-major in scratch memory (rows as in `products`: pivots, then border,
each filled up to a multiple of eight) and written to their panel as they are finished. A panel
holds L without its unit diagonal; entries on and above the diagonal are zero. An update matrix is
the lower triangle of a border x border square, column-major, with the border filled up to a
multiple of eight; its upper triangle is undefined.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.kernels.simd import address, size_of_real
from simkit.kernels.teamwork import (
    atomic_max,
    finish_group,
    release_stage,
    take_group,
    wait_for_stage,
)
from simkit.solve.linear.blocks import add_run8
from simkit.solve.linear.elimination import PRODUCTS_AT, factor_panel
from simkit.solve.linear.plan import Plan
from simkit.solve.linear.products import PanelOf, add_products
from simkit.solve.linear.symbolic import Tree

COMPARISON_SHARES = 8  # groups into which the comparison of new values with old ones is divided


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
    """Add the columns of a child's update matrix that belong to front columns low to high - 1.

    Entry (i, j) of the front is target[start + (j - low) * rows + i]. For the square of the
    border, whose first row is row `low` of the front, the caller subtracts low from `start`.
    """
    real = target.dtype.type(0)
    size = size_of_real(real)
    to0, from0 = address(target) + size * start, address(update)
    for a in range(runs.shape[0]):
        from_c, to_c, length = runs[a, 0], runs[a, 1], runs[a, 2]
        if to_c < low or to_c >= high:
            continue
        for j in range(length):
            column = from0 + size * (from_c + j) * border
            into = to0 + size * (to_c + j - low) * rows
            add_run8(real, into + size * (to_c + j), column + size * (from_c + j), length - j)
            for b in range(a + 1, runs.shape[0]):
                add_run8(real, into + size * runs[b, 1], column + size * runs[b, 0], runs[b, 2])


@njit(cache=True, nogil=True)
def gather_values(
    data: np.ndarray,
    entry_from: np.ndarray,
    entry_to: np.ndarray,
    low: int,
    high: int,
    front: np.ndarray,
) -> float:
    """Copy the matrix values of a supernode to its front; return the largest magnitude."""
    largest = 0.0
    for e in range(low, high):
        value = data[entry_from[e]]
        front[entry_to[e]] = value
        largest = max(largest, abs(value))
    return largest


class Factors(NamedTuple):
    """Numbers of a factorisation.

    panel (Tree.panel_ptr[-1],) L by panels; d (n,) pivots; updates: all update matrices, each
    beginning at its `Plan.place`; perturbed (supernodes,) count of perturbed pivots of each
    supernode.
    """

    panel: np.ndarray
    d: np.ndarray
    updates: np.ndarray
    perturbed: np.ndarray


class Workspace(NamedTuple):
    """Arrays of one thread.

    place (supernodes,) start of each update matrix; front: pivot columns of a front; scratch
    (SCRATCH_FLOATS,) for its elimination; side: front of a right-hand side.
    """

    place: np.ndarray
    front: np.ndarray
    scratch: np.ndarray
    side: np.ndarray


class NewValues(NamedTuple):
    """New matrix values (empty where `data` has them already), and the supernode of each value."""

    values: np.ndarray
    supernode: np.ndarray


@njit(cache=True, nogil=True)
def factor_supernodes(
    supernodes: np.ndarray, data: np.ndarray, tree: Tree, factors: Factors, work: Workspace,
    perturb: bool,
) -> int:
    """Factor these supernodes in turn; return the position of an unusable pivot, or -1.

    The supernode's own part is written to the update matrix first and the updates of its children
    are added to it, so the matrix need not be set to zero before.
    """
    first, border_ptr, child_ptr, child = tree.first, tree.border_ptr, tree.child_ptr, tree.child
    run_ptr, runs, entry_ptr = tree.run_ptr, tree.runs, tree.entry_ptr
    panel, d, updates = factors.panel, factors.d, factors.updates
    place, front, scratch = work.place, work.front, work.scratch
    size = size_of_real(panel.dtype.type(0))
    for s in supernodes:
        pivots = first[s + 1] - first[s]
        own = (pivots + 7) // 8 * 8
        border = (border_ptr[s + 1] - border_ptr[s] + 7) // 8 * 8
        rows = own + border
        start = tree.panel_ptr[s]
        front[: rows * own] = 0.0
        scale = gather_values(
            data, tree.entry_from, tree.entry_to, entry_ptr[s], entry_ptr[s + 1], front
        )
        for k in range(child_ptr[s], child_ptr[s + 1]):
            c = child[k]
            add_to_parent(
                updates[place[c] :], (border_ptr[c + 1] - border_ptr[c] + 7) // 8 * 8,
                runs[run_ptr[c] : run_ptr[c + 1]], front, 0, rows, 0, own,
            )
        bad, factors.perturbed[s] = factor_panel(
            panel, start, rows, pivots, front, d[first[s] :], scale, perturb, scratch
        )
        if bad >= 0:
            return first[s] + bad
        if border == 0:
            continue
        # address at which an array with rows and columns counted from those of the front begins
        u0 = address(updates) + size * (place[s] - own * border - own)
        whole = PanelOf(panel, start, pivots, d[first[s] :])
        add_products(
            whole, 0, pivots, own // 8, rows // 8, rows // 8, u0, border, False,
            scratch[PRODUCTS_AT:]
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
    board: np.ndarray, plan: Plan, tree: Tree, todo: np.ndarray, worst: np.ndarray, new: NewValues,
    data: np.ndarray, factors: Factors, work: Workspace, perturb: bool,
) -> None:
    """Do one thread's share of factoring the supernodes that depend on new values.

    If there are new values, a first stage (the last number of the board) copies them to `data` and
    marks in `todo` all supernodes to be factored again; else `todo` holds these already. Work
    stops after a stage with an unusable pivot, whose position is then written to `worst` (1,), or
    with values that are not finite; `worst` is then n.
    """
    stage_ptr, group_ptr = plan.stage_ptr, plan.group_ptr
    stages, n, size = stage_ptr.size - 1, tree.first[-1], new.values.size
    if size > 0:
        g = take_group(board, stages, COMPARISON_SHARES)
        while g >= 0:
            low = size // 16 * g // COMPARISON_SHARES * 16
            high = size // 16 * (g + 1) // COMPARISON_SHARES * 16
            if g == COMPARISON_SHARES - 1:
                high = size
            part = slice(low, high)
            if not take_changes(data[part], new.values[part], new.supernode[part], todo):
                atomic_max(address(worst), n)
            if finish_group(board, stages, COMPARISON_SHARES):
                reach_supernodes(tree.parent, plan.kept_ancestor, todo)
                release_stage(board, stages, 1 if worst[0] < 0 else 2)
            g = take_group(board, stages, COMPARISON_SHARES)
        if wait_for_stage(board, stages) != 1:
            return
    for t in range(stages):
        count = stage_ptr[t + 1] - stage_ptr[t]
        g = take_group(board, t, count)
        while g >= 0:
            group = plan.supernodes[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            bad = factor_supernodes(group[todo[group]], data, tree, factors, work, perturb)
            atomic_max(address(worst), bad)
            if finish_group(board, t, count):
                release_stage(board, t, 1 if worst[0] < 0 else 2)
            g = take_group(board, t, count)
        if wait_for_stage(board, t) != 1:
            return


@njit(cache=True, nogil=True)
def take_changes(
    old: np.ndarray, new: np.ndarray, supernode: np.ndarray, changed: np.ndarray
) -> bool:
    """Copy new values over old ones; mark in `changed` the supernodes whose values differ.

    `supernode` gives the supernode of each value. Returns whether all that differ are finite.
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
                changed[supernode[k]] = True
                old[k] = new[k]
    return finite


@njit(cache=True)
def supernode_of_values(entry_ptr: np.ndarray, entry_from: np.ndarray) -> np.ndarray:
    """Return the supernode of each value of the data."""
    supernode = np.empty(entry_from.size, np.int32)
    for s in range(entry_ptr.size - 1):
        for e in range(entry_ptr[s], entry_ptr[s + 1]):
            supernode[entry_from[e]] = s
    return supernode


@njit(cache=True, nogil=True)
def reach_supernodes(parent: np.ndarray, kept_ancestor: np.ndarray, result: np.ndarray) -> None:
    """Mark all supernodes to be factored again, given those with new values.

    These are all supernodes above a change, and below them those whose update matrices were not
    kept and are needed once more.
    """
    mark_above(parent, result)
    for s in range(parent.size - 1, -1, -1):
        if kept_ancestor[s] != s and result[parent[s]]:
            result[s] = True


@njit(cache=True, nogil=True)
def mark_above(parent: np.ndarray, marked: np.ndarray) -> None:
    """Mark all supernodes above marked ones."""
    for s in range(parent.size):
        if marked[s] and parent[s] >= 0:
            marked[parent[s]] = True
