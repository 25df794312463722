"""The way of right sides through all blocks of an LDL^T, shared among threads.

One side x (n + places,) or eight, rows of x (n + places, 8): the compiler keeps the substitution
that fits. Behind its n rows x has the places of `plan.Plan`; arrays as in there and in
`symbolic.Tree`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    add_product8,
    address,
    load8,
    minus8,
    same8,
    store8,
    times8,
    total8,
)
from simkit.kernels.teamwork import is_last, open_next, take_group, wait_for
from simkit.solve.linear.substitution import backward, forward
from simkit.solve.linear.substitution_many import backward_many, forward_many

ROW = 64  # bytes of eight floats


@njit(cache=True, nogil=True)
def merge(x: np.ndarray, n: int, low: int, high: int, to: np.ndarray) -> None:
    """Add places low to high - 1 beyond row n of x (rows, width) to the rows `to`."""
    for k in range(low, high):
        for i in range(x.shape[1]):
            x[to[k], i] += x[n + k, i]


@njit(cache=True, nogil=True)
def add_border(
    x: np.ndarray, d: np.ndarray, z: np.ndarray, inverse: np.ndarray, rest: np.ndarray
) -> None:
    """Solve for the unknowns beside the matrix and take what they do off x, half way through.

    z (n, 8) is L^-1 C for the coupling C, zero beyond its sides, `inverse` (8, 8) that of
    S - C^T K^-1 C; `rest` (8,) comes as their right side and leaves as their values.
    """
    total, z0, n = same8(0.0), address(z), d.size
    for i in range(n):
        total = add_product8(load8(z0 + ROW * i), same8(x[i] / d[i]), total)
    store8(address(rest), minus8(load8(address(rest)), total))
    value = same8(0.0)
    for j in range(8):  # row j of a symmetric matrix is its column
        value = add_product8(load8(address(inverse) + ROW * j), same8(rest[j]), value)
    store8(address(rest), value)
    for i in range(n):
        x[i] -= total8(times8(load8(z0 + ROW * i), value))


@njit(cache=True, nogil=True)
def go_down(
    board: np.ndarray,
    x: np.ndarray,
    todo: np.ndarray,
    stage_ptr: np.ndarray,
    group_ptr: np.ndarray,
    blocks: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    slot: np.ndarray,
    panel_ptr: np.ndarray,
    panel: np.ndarray,
    d: np.ndarray,
    merge_ptr: np.ndarray,
    merge_to: np.ndarray,
    front: np.ndarray,
    z: np.ndarray,
    inverse: np.ndarray,
    rest: np.ndarray,
) -> None:
    """Take one thread's share of the way forward, through the blocks of the mask `todo`.

    z and inverse as in `add_border`, which is done at the end if z has rows and x is one side.
    """
    stages, n = stage_ptr.size - 1, first[-1]
    rows = x.reshape((x.shape[0], x.size // x.shape[0]))
    for t in range(stages):
        count = stage_ptr[t + 1] - stage_ptr[t]
        g = take_group(board, t, count)
        while g >= 0:
            group = blocks[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            group = group[todo[group]]
            if x.ndim == 1:
                forward(group, x, first, border_ptr, slot, panel_ptr, panel, front)
            else:
                forward_many(group, x, first, border_ptr, slot, panel_ptr, panel, front)
            if is_last(board, t, count):
                merge(rows, n, merge_ptr[t], merge_ptr[t + 1], merge_to)
                if x.ndim == 1:  # noqa: SIM102 - numba drops a branch by this alone
                    if t == stages - 1 and z.shape[0] > 0:
                        add_border(x, d, z, inverse, rest)
                open_next(board, t, 1)
            g = take_group(board, t, count)
        wait_for(board, t)


@njit(cache=True, nogil=True)
def go_up(
    board: np.ndarray,
    x: np.ndarray,
    stage_ptr: np.ndarray,
    group_ptr: np.ndarray,
    blocks: np.ndarray,
    first: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
    panel_ptr: np.ndarray,
    panel: np.ndarray,
    d: np.ndarray,
    front: np.ndarray,
) -> None:
    """Take one thread's share of the way backward; its stages follow those of the way forward."""
    stages = stage_ptr.size - 1
    for t in range(stages - 1, -1, -1):
        count, back = stage_ptr[t + 1] - stage_ptr[t], stages + t
        g = take_group(board, back, count)
        while g >= 0:
            group = blocks[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            if x.ndim == 1:
                backward(group, x, first, border_ptr, border, panel_ptr, panel, d, front)
            else:
                backward_many(group, x, first, border_ptr, border, panel_ptr, panel, d, front)
            if is_last(board, back, count):
                open_next(board, back, 1)
            g = take_group(board, back, count)
        wait_for(board, back)
