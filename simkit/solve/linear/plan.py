"""Where updates live while they wait, and which blocks run beside each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from simkit.solve.linear.symbolic import Tree, eights


@dataclass(frozen=True, eq=False)
class Plan:
    """Division of the blocks into shares that do not depend on each other, and a rest.

    Attributes
    ----------
    shares : one increasing array of blocks for each thread.
    rest : blocks above them, increasing; run after all shares.
    rows : for each share, the positions of its pivots.
    place : (blocks,) start of each block's update in the common workspace.
    size : floats in that workspace.
    keeper : (blocks,) nearest block at or above each one whose update is kept after the
        factorisation; a branch is recomputed from such a block's children or not at all.
    """

    shares: tuple[np.ndarray, ...]
    rest: np.ndarray
    rows: tuple[np.ndarray, ...]
    place: np.ndarray
    size: int
    keeper: np.ndarray


def make_plan(tree: Tree, threads: int, keep_fraction: float) -> Plan:
    """Divide the tree among threads and lay out the workspace.

    Updates of blocks whose branch costs at least `keep_fraction` of the whole are kept, so
    that an unchanged branch need not be factored again.
    """
    work = tree.work()
    branch = _branch_sums(tree.parent, work)
    bin_of, tops = _shares(tree, work, branch, threads)
    kept = (branch >= keep_fraction * work.sum()) | (bin_of < 0)
    kept[tops] = True
    kept |= tree.parent < 0
    place, size = _layout(tree.parent, _sizes(tree.borders), kept, bin_of, threads)
    shares = tuple(np.flatnonzero(bin_of == t) for t in range(threads))
    thread_of_row = np.repeat(bin_of, tree.pivots)
    rows = tuple(np.flatnonzero(thread_of_row == t) for t in range(threads))
    keeper = _keepers(tree.parent, kept)
    return Plan(shares, np.flatnonzero(bin_of < 0), rows, place, int(size), keeper)


def _sizes(borders: np.ndarray) -> np.ndarray:
    """Return the floats of each update, with the room beyond it that `add_stretch8` wants."""
    return eights(borders) ** 2 + 8


def _shares(
    tree: Tree, work: np.ndarray, branch: np.ndarray, threads: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return (thread of each block, -1 for the rest; tops of the shared-out branches).

    The dearest branch is opened, its top going to the rest, while that shortens the estimate
    rest + longest share.
    """
    blocks = work.size
    if threads == 1:
        return np.zeros(blocks, np.int64), np.empty(0, np.int64)
    tops = np.flatnonzero(tree.parent < 0).tolist()
    rest = 0.0
    best: tuple[float, list[int], np.ndarray] | None = None
    for _ in range(8 * threads):
        tops.sort(key=lambda s: (-branch[s], s))
        loads = np.zeros(threads)
        owner = np.empty(len(tops), np.int64)
        for i, s in enumerate(tops):
            owner[i] = int(np.argmin(loads))
            loads[owner[i]] += branch[s]
        if best is None or rest + loads.max() < best[0]:
            best = (rest + loads.max(), list(tops), owner)
        top = tops.pop(0)
        rest += work[top]
        tops += tree.child[tree.child_ptr[top] : tree.child_ptr[top + 1]].tolist()
        if not tops:
            break
    assert best is not None
    chosen = np.array(best[1], dtype=np.int64)
    bin_of = np.full(blocks, -1, np.int64)
    bin_of[chosen] = best[2]
    for s in range(blocks - 1, -1, -1):
        if tree.parent[s] >= 0 and bin_of[tree.parent[s]] >= 0:
            bin_of[s] = bin_of[tree.parent[s]]
    return bin_of, chosen


@njit(cache=True)
def _branch_sums(parent: np.ndarray, work: np.ndarray) -> np.ndarray:
    """Return the work of each block together with all blocks below it."""
    total = work.copy()
    for s in range(work.size):
        if parent[s] >= 0:
            total[parent[s]] += total[s]
    return total


@njit(cache=True)
def _keepers(parent: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Return the nearest kept block at or above each block."""
    keeper = np.empty_like(parent)
    for s in range(parent.size - 1, -1, -1):
        keeper[s] = s if kept[s] else keeper[parent[s]]
    return keeper


@njit(cache=True)
def _layout(
    parent: np.ndarray, sizes: np.ndarray, kept: np.ndarray, bin_of: np.ndarray, threads: int
) -> tuple[np.ndarray, int]:
    """Return (start of each update, size of the workspace).

    Each thread has two stacks, for even and odd depth: a block writes to one while it reads its
    children's updates from the other, and both stacks stay last in, first out. Kept updates
    have places of their own behind the stacks. `sizes` are floats.
    """
    blocks = parent.size
    depth = np.zeros(blocks, np.int64)
    for s in range(blocks - 1, -1, -1):
        if parent[s] >= 0:
            depth[s] = depth[parent[s]] + 1
    top = np.zeros((threads, 2), np.int64)
    high = np.zeros((threads, 2), np.int64)
    place = np.zeros(blocks, np.int64)
    below = np.zeros(blocks, np.int64)  # floats of the children's updates on the stack
    for s in range(blocks):
        if bin_of[s] < 0:
            continue
        t, side = bin_of[s], depth[s] % 2
        if not kept[s]:
            place[s] = top[t, side]
            top[t, side] += sizes[s]
            high[t, side] = max(high[t, side], top[t, side])
            below[parent[s]] += sizes[s]
        top[t, 1 - side] -= below[s]
    size = 0
    for t in range(threads):
        for side in range(2):
            for s in range(blocks):
                if bin_of[s] == t and depth[s] % 2 == side and not kept[s]:
                    place[s] += size
            size += high[t, side]
    for s in range(blocks):
        if kept[s]:
            place[s] = size
            size += sizes[s]
    return place, size
