"""The way of right-hand sides through all supernodes of an LDL^T, shared among threads.

One side x (n + places,) or eight, rows of x (n + places, 8): the compiler keeps the substitution
that fits. Behind its n rows x has the places of `plan.Plan`; arrays as in there and in
`symbolic.Tree`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    ROW_BYTES,
    address,
    broadcast8,
    fma8,
    load8,
    multiply8,
    store8,
    subtract8,
    sum8,
)
from simkit.kernels.teamwork import finish_group, release_stage, take_group, wait_for_stage
from simkit.solve.linear.kernels import Factors
from simkit.solve.linear.plan import Plan
from simkit.solve.linear.substitution import backward, forward
from simkit.solve.linear.substitution_many import backward_many, forward_many
from simkit.solve.linear.symbolic import Tree


@njit(cache=True, nogil=True)
def merge(x: np.ndarray, n: int, low: int, high: int, to: np.ndarray) -> None:
    """Add places low to high - 1 beyond row n of x (rows, width) to the rows `to`."""
    for k in range(low, high):
        for i in range(x.shape[1]):
            x[to[k], i] += x[n + k, i]


class Border(NamedTuple):
    """Unknowns beside the matrix, at most eight: K x + C y = b, C^T x + S y = rest.

    z (n, 8) is L^-1 C in the order of elimination, zero beyond the columns of C, or has no rows;
    inverse (8, 8) that of S - C^T K^-1 C; rest (8,) comes as their right-hand side and leaves as
    their values y.
    """

    z: np.ndarray
    inverse: np.ndarray
    rest: np.ndarray


@njit(cache=True, nogil=True)
def solve_border(x: np.ndarray, d: np.ndarray, border: Border) -> None:
    """Solve for y and subtract C y, between the two substitutions of x (n + places,)."""
    z, inverse, rest = border.z, border.inverse, border.rest
    total, z0, n = broadcast8(0.0), address(z), d.size
    for i in range(n):
        total = fma8(load8(z0 + ROW_BYTES * i), broadcast8(x[i] / d[i]), total)
    store8(address(rest), subtract8(load8(address(rest)), total))
    value = broadcast8(0.0)
    for j in range(8):  # row j of a symmetric matrix is its column
        value = fma8(load8(address(inverse) + ROW_BYTES * j), broadcast8(rest[j]), value)
    store8(address(rest), value)
    for i in range(n):
        x[i] -= sum8(multiply8(load8(z0 + ROW_BYTES * i), value))


@njit(cache=True, nogil=True)
def forward_stages(
    board: np.ndarray, x: np.ndarray, todo: np.ndarray, plan: Plan, tree: Tree, factors: Factors,
    front: np.ndarray, border: Border,
) -> None:
    """Take one thread's share of the way forward, through the supernodes of the mask `todo`.

    `solve_border` is done at the end if border.z has rows and x is one side.
    """
    stage_ptr, group_ptr, panel = plan.stage_ptr, plan.group_ptr, factors.panel
    stages, n = stage_ptr.size - 1, tree.first[-1]
    rows = x.reshape((x.shape[0], x.size // x.shape[0]))
    for t in range(stages):
        count = stage_ptr[t + 1] - stage_ptr[t]
        g = take_group(board, t, count)
        while g >= 0:
            group = plan.supernodes[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            group = group[todo[group]]
            if x.ndim == 1:
                forward(group, x, tree, plan.slot, panel, front)
            else:
                forward_many(group, x, tree, plan.slot, panel, front)
            if finish_group(board, t, count):
                merge(rows, n, plan.merge_ptr[t], plan.merge_ptr[t + 1], plan.merge_to)
                if x.ndim == 1:  # noqa: SIM102 - numba drops a branch by this alone
                    if t == stages - 1 and border.z.shape[0] > 0:
                        solve_border(x, factors.d, border)
                release_stage(board, t, 1)
            g = take_group(board, t, count)
        wait_for_stage(board, t)


@njit(cache=True, nogil=True)
def backward_stages(
    board: np.ndarray, x: np.ndarray, plan: Plan, tree: Tree, factors: Factors, front: np.ndarray
) -> None:
    """Take one thread's share of the way backward; its stages follow those of the way forward."""
    stage_ptr, group_ptr = plan.stage_ptr, plan.group_ptr
    stages = stage_ptr.size - 1
    for t in range(stages - 1, -1, -1):
        count, back = stage_ptr[t + 1] - stage_ptr[t], stages + t
        g = take_group(board, back, count)
        while g >= 0:
            group = plan.supernodes[group_ptr[stage_ptr[t] + g] : group_ptr[stage_ptr[t] + g + 1]]
            if x.ndim == 1:
                backward(group, x, tree, factors.panel, factors.d, front)
            else:
                backward_many(group, x, tree, factors.panel, factors.d, front)
            if finish_group(board, back, count):
                release_stage(board, back, 1)
            g = take_group(board, back, count)
        wait_for_stage(board, back)
