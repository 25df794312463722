"""Forward and backward substitution through all supernodes of an LDL^T, shared among threads.

x (n + places,) is one right-hand side, x (n + places, 8) eight; numba compiles only the branch that
fits the number of dimensions. The rows after the first n are the places of `plan.Plan`; other
arrays are those of `plan.Plan` and `symbolic.Tree`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.kernels.simd import (
    address,
    broadcast8_of,
    fma8,
    load8_of,
    multiply8,
    size_of_real,
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
    """Add rows n + low to n + high - 1 of x (rows, width) to the rows `to`."""
    for k in range(low, high):
        for i in range(x.shape[1]):
            x[to[k], i] += x[n + k, i]


class Border(NamedTuple):
    """At most eight additional unknowns y: K x + C y = b, C^T x + S y = rest.

    z (n, 8) is L^-1 C in the order of elimination, with zeros after the columns of C; no rows: no
    border. inverse (8, 8) is (S - C^T K^-1 C)^-1. rest (8,) holds the right-hand side on entry
    and y on return. All have the precision of L.
    """

    z: np.ndarray
    inverse: np.ndarray
    rest: np.ndarray


@njit(cache=True, nogil=True)
def solve_border(x: np.ndarray, d: np.ndarray, border: Border) -> None:
    """Solve for y and subtract C y, between the two substitutions of x (n + places,).

    With x = L^-1 b: y = inverse (rest - z' D^-1 x), then x - z y = L^-1 (b - C y).
    """
    z, inverse, rest = border.z, border.inverse, border.rest
    real = z.dtype.type(0)
    row = 8 * size_of_real(real)
    zero, z0, n = broadcast8_of(real, real), address(z), d.size
    total = zero
    for i in range(n):
        total = fma8(load8_of(real, z0 + row * i), broadcast8_of(real, x[i] / d[i]), total)
    store8(address(rest), subtract8(load8_of(real, address(rest)), total))
    value = zero
    for j in range(8):  # the matrix is symmetric: row j is column j
        column = load8_of(real, address(inverse) + row * j)
        value = fma8(column, broadcast8_of(real, rest[j]), value)
    store8(address(rest), value)
    for i in range(n):
        x[i] -= sum8(multiply8(load8_of(real, z0 + row * i), value))


@njit(cache=True, nogil=True)
def forward_stages(
    board: np.ndarray, x: np.ndarray, todo: np.ndarray, plan: Plan, tree: Tree, factors: Factors,
    front: np.ndarray, border: Border,
) -> None:
    """Do one thread's share of the forward substitution, through the supernodes of mask `todo`.

    `solve_border` is called at the end if border.z has rows and x is one right-hand side.
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
                # numba drops a branch at compile time only if this condition stands alone
                if x.ndim == 1:  # noqa: SIM102
                    if t == stages - 1 and border.z.shape[0] > 0:
                        solve_border(x, factors.d, border)
                release_stage(board, t, 1)
            g = take_group(board, t, count)
        wait_for_stage(board, t)


@njit(cache=True, nogil=True)
def backward_stages(
    board: np.ndarray, x: np.ndarray, plan: Plan, tree: Tree, factors: Factors, front: np.ndarray
) -> None:
    """Do one thread's share of the backward substitution; its stages follow the forward ones."""
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
