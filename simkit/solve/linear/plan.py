"""Division of the supernodes into independent groups, and memory of updates and right-hand sides.

The division and all sums depend only on the tree, not on the number of threads, so any number of
threads gives the same bits.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from simkit.solve.linear.symbolic import Tree, eights

MOST_BRANCHES = 8  # branches that may run in parallel
LEAST_BRANCH_FLOPS = 1e7  # a branch with fewer floating-point operations is not divided further


class Plan(NamedTuple):
    """Division of the supernodes into stages of groups; the groups of a stage are independent.

    Attributes
    ----------
    stage_ptr : (stages + 1,) groups of each stage: whole branches in the first stage, then the
        supernodes above them, each a group of its own.
    group_ptr, supernodes : supernodes of each group, increasing:
        supernodes[group_ptr[g]:group_ptr[g + 1]].
    slot : (borders,) ordered as `Tree.border`: row to which forward substitution adds a
        supernode's part of a right-hand side. It is a row of the same group, or an extra row
        after the first n (a place) to which only this group writes.
    merge_ptr, merge_to : after stage t the places merge_ptr[t] to merge_ptr[t + 1] - 1, counted
        from row n, are added to the rows merge_to, one after another.
    place : (supernodes,) start of each update matrix: among the kept ones, or on the stack of the
        thread that works on it.
    kept : (supernodes,) mask of the updates that are kept after the factorisation.
    kept_size, stack_size : floats of all kept updates, and of one thread's stack.
    kept_ancestor : (supernodes,) nearest supernode, itself or above, whose update matrix is kept
        after the factorisation; what lies between two kept supernodes is factored again together.
    """

    stage_ptr: np.ndarray
    group_ptr: np.ndarray
    supernodes: np.ndarray
    slot: np.ndarray
    merge_ptr: np.ndarray
    merge_to: np.ndarray
    place: np.ndarray
    kept: np.ndarray
    kept_size: int
    stack_size: int
    kept_ancestor: np.ndarray

    def places(self, thread: int) -> np.ndarray:
        """Return the start of each update matrix in an array of all kept ones, then the stacks."""
        stack = self.kept_size + thread * self.stack_size
        return np.where(self.kept, self.place, self.place + stack)


def make_plan(tree: Tree, keep_fraction: float) -> Plan:
    """Divide the tree into groups and assign the memory of the update matrices.

    Updates of supernodes whose branch costs at least `keep_fraction` of the whole are kept, so
    that an unchanged branch need not be factored again.
    """
    work = tree.work()
    branch = _branch_sums(tree.parent, work)
    tops = _branch_tops(tree, branch)
    group = _groups(tree.parent, tops)  # of the branches; -1 above them
    stage = _stages(tree.parent, group)
    heads = np.flatnonzero((group < 0) | np.isin(np.arange(group.size), tops))
    heads = heads[np.lexsort((heads, stage[heads]))]
    groups = [np.array([s]) if group[s] < 0 else np.flatnonzero(group == group[s]) for s in heads]
    stages = int(stage.max(initial=0)) + 1
    stage_ptr = np.searchsorted(stage[heads], np.arange(stages + 1))
    group_ptr = np.concatenate([[0], np.cumsum([group.size for group in groups], dtype=int)])
    supernodes = np.concatenate([np.zeros(0, np.int64), *groups])
    sizes = tree.borders[heads]
    merge_to = np.concatenate(
        [np.zeros(0, np.int64)]
        + [tree.border[tree.border_ptr[s] : tree.border_ptr[s + 1]] for s in heads]
    )
    ends = np.concatenate([[0], np.cumsum(sizes)])
    merge_ptr = ends[stage_ptr]
    head_of = np.arange(group.size)
    head_of[group >= 0] = tops[group[group >= 0]]
    start = np.zeros(group.size, np.int64)
    start[heads] = ends[:-1]
    slot = _slots(tree.first, tree.border_ptr, tree.border, head_of, start)
    kept = (branch >= keep_fraction * work.sum()) | (group < 0) | (tree.parent < 0)
    kept[tops] = True
    sizes = _sizes(tree.borders)
    place, stack = _layout(tree.parent, sizes, kept, group, tops.size)
    place[kept] = np.cumsum(sizes[kept]) - sizes[kept]
    kept_ancestor = _kept_ancestors(tree.parent, kept)
    return Plan(
        stage_ptr, group_ptr, supernodes, slot, merge_ptr, merge_to, place, kept,
        int(sizes[kept].sum()), int(stack), kept_ancestor,
    )


def _sizes(borders: np.ndarray) -> np.ndarray:
    """Return the floats of each update, with eight more after its end that `add_run8` writes."""
    return eights(borders) ** 2 + 8


def _branch_tops(tree: Tree, branch: np.ndarray) -> np.ndarray:
    """Return the top supernodes of the branches that may run in parallel.

    The branch with the most work is replaced by the branches of its children, again and again.
    """
    tops = np.flatnonzero(tree.parent < 0).tolist()
    while len(tops) < MOST_BRANCHES:
        top = max(tops, key=lambda s: (branch[s], s))
        children = tree.child[tree.child_ptr[top] : tree.child_ptr[top + 1]].tolist()
        if branch[top] < LEAST_BRANCH_FLOPS or not children:
            break
        tops.remove(top)
        tops += children
    return np.array(sorted(tops), dtype=np.int64)


@njit(cache=True)
def _groups(parent: np.ndarray, tops: np.ndarray) -> np.ndarray:
    """Return the number of the branch each supernode belongs to, -1 above the branches."""
    group = np.full(parent.size, -1, np.int64)
    for t in range(tops.size):
        group[tops[t]] = t
    for s in range(parent.size - 1, -1, -1):
        if group[s] < 0 and parent[s] >= 0:
            group[s] = group[parent[s]]
    return group


@njit(cache=True)
def _stages(parent: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the stage of each supernode: 0 in a branch, above them that of its last child + 1."""
    stage = np.zeros(parent.size, np.int64)
    for s in range(parent.size):
        p = parent[s]
        if p >= 0 and group[p] < 0:
            stage[p] = max(stage[p], stage[s] + 1)
    return stage


@njit(cache=True)
def _slots(
    first: np.ndarray,
    border_ptr: np.ndarray,
    border: np.ndarray,
    head_of: np.ndarray,
    start: np.ndarray,
) -> np.ndarray:
    """Return `Plan.slot`.

    head_of (supernodes,) top supernode of each one's group; start (supernodes,) number of the
    first place of a group, which has one place for each border equation of its top supernode.
    """
    n = first[-1]
    slot = border.copy()
    own = np.empty(n, np.int64)
    current = -1
    for s in range(head_of.size - 1, -1, -1):
        head = head_of[s]
        if head != current:
            current = head
            own[:] = -1
            for k in range(border_ptr[head], border_ptr[head + 1]):
                own[border[k]] = n + start[head] + k - border_ptr[head]
        for k in range(border_ptr[s], border_ptr[s + 1]):
            if own[border[k]] >= 0:
                slot[k] = own[border[k]]
    return slot


@njit(cache=True)
def _branch_sums(parent: np.ndarray, work: np.ndarray) -> np.ndarray:
    """Return the work of each supernode together with all supernodes below it."""
    total = work.copy()
    for s in range(work.size):
        if parent[s] >= 0:
            total[parent[s]] += total[s]
    return total


@njit(cache=True)
def _kept_ancestors(parent: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Return the nearest kept supernode at or above each supernode."""
    kept_ancestor = np.empty_like(parent)
    for s in range(parent.size - 1, -1, -1):
        kept_ancestor[s] = s if kept[s] else kept_ancestor[parent[s]]
    return kept_ancestor


@njit(cache=True)
def _layout(
    parent: np.ndarray, sizes: np.ndarray, kept: np.ndarray, group: np.ndarray, groups: int
) -> tuple[np.ndarray, int]:
    """Return (start of each update that is not kept, on its thread's stack; size of a stack).

    Each stack consists of two, for even and odd depth in the tree: a supernode writes its update to
    one while it reads its children's updates from the other, and both are used last in, first out.
    Every branch begins at the bottom of the stack, so that few floats are in use at a time and
    stay in the cache. `sizes` are in floats.
    """
    supernodes = parent.size
    depth = np.zeros(supernodes, np.int64)
    for s in range(supernodes - 1, -1, -1):
        if parent[s] >= 0:
            depth[s] = depth[parent[s]] + 1
    top = np.zeros((groups, 2), np.int64)
    high = np.zeros(2, np.int64)
    place = np.zeros(supernodes, np.int64)
    below = np.zeros(supernodes, np.int64)  # floats of the children's updates on the stack
    for s in range(supernodes):
        if group[s] < 0:
            continue
        t, side = group[s], depth[s] % 2
        if not kept[s]:
            place[s] = top[t, side]
            top[t, side] += sizes[s]
            high[side] = max(high[side], top[t, side])
            below[parent[s]] += sizes[s]
        top[t, 1 - side] -= below[s]
    for s in range(supernodes):
        if depth[s] % 2 == 1:
            place[s] += high[0]
    return place, high[0] + high[1]
