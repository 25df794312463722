"""Order in which a thread works through the bundles of a panel, strip by strip."""

from __future__ import annotations

import numba as nb
import numpy as np

from simkit.kernels.simd import LANES
from simkit.kernels.teamwork import finish_group, release_stage, take_group, wait_for_stage
from simkit.shell.bundle.packing import bundles_along

STAGE, AT_STRIP, AT_ROW, END, AT_PART, FREE, NUMBERS = range(7)
"""Numbers of a thread's position: stage, strip (-1 if none), row of elements, row to stop before,
bundle of the row; and the next free place for the states of an element that yields."""


@nb.njit(cache=True)
def new_walk():
    """Position of a thread that has no strip yet."""
    walk = np.zeros(NUMBERS, np.int64)
    walk[AT_STRIP] = -1
    return walk


@nb.njit(cache=True, nogil=True)
def to_next(walk, board, ptr, overlap, todo, count_v):
    """Go to the next bundle with a marked element; return False when no strip is left.

    Strip k is the rows ptr[k] to ptr[k + 1] - 1; each free strip goes to the first thread that asks
    for one. The first ``overlap`` rows of a strip share matrix entries with the strip before and
    are done in a second stage, so no sum depends on which thread works on which strip. The new
    states of a strip are stored from the number of its first element on.
    """
    strips, bundles = ptr.size - 1, bundles_along(count_v)
    while True:
        while walk[AT_STRIP] >= 0:
            walk[AT_PART] += 1
            if walk[AT_PART] == bundles:
                walk[AT_PART] = 0
                walk[AT_ROW] += 1
            if walk[AT_ROW] >= walk[END]:
                if finish_group(board, walk[STAGE], strips):
                    release_stage(board, walk[STAGE], 1)
                walk[AT_STRIP] = -1
                break
            el = walk[AT_ROW] * count_v + walk[AT_PART] * LANES
            if np.any(todo[el:min(el + LANES, (walk[AT_ROW] + 1) * count_v)]):
                return True
        g = take_group(board, walk[STAGE], strips)
        if g < 0:
            wait_for_stage(board, walk[STAGE])
            walk[STAGE] += 1
            if walk[STAGE] == (2 if overlap > 0 else 1):
                return False
            continue
        _take_strip(walk, ptr, g, overlap, count_v)


@nb.njit(cache=True, nogil=True)
def _take_strip(walk, ptr, g, overlap, count_v):
    """Set the position before the first bundle of strip g."""
    first, last = ptr[g], ptr[g + 1]
    middle = first + overlap if g > 0 else first
    walk[FREE] = first * count_v
    if walk[STAGE] == 0:
        first = middle
    else:  # states of the rows of the second stage follow those of all other rows of the strip
        walk[FREE] += (last - middle) * count_v
        last = middle
    walk[AT_STRIP], walk[AT_ROW], walk[END], walk[AT_PART] = g, first, last, -1


@nb.njit(cache=True)
def strips_apart(places, ptr, overlap, count_v):
    """Whether no two strips write to the same matrix entry in the same stage.

    places (elements, m) as in :class:`simkit.shell.layout.Layout`, strips as in :func:`to_next`.
    They do share entries where a side of the panel is one point, because all its elements then
    share equations.
    """
    last = 0
    for el in range(places.shape[0]):
        for k in range(places.shape[1]):
            last = max(last, places[el, k], -(places[el, k] + 2))
    owner = np.full((2, last + 1), -1)
    for strip in range(ptr.size - 1):
        for row in range(ptr[strip], ptr[strip + 1]):
            stage = 1 if strip > 0 and row < ptr[strip] + overlap else 0
            for el in range(row * count_v, (row + 1) * count_v):
                for k in range(places.shape[1]):
                    at = places[el, k]
                    if at == -1:
                        continue
                    at = at if at >= 0 else -(at + 2)
                    if owner[stage, at] >= 0 and owner[stage, at] != strip:
                        return False
                    owner[stage, at] = strip
    return True
