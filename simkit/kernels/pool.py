"""Memory used again: states of a large panel are tens of megabytes, and new pages are slow."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_FREE_ARRAYS = 8
"""Arrays that a pool keeps for later; more are given back to the system."""


class Lease:
    """Owner of lent memory: the array made from it and all views of that hold the lease, and when
    the last of them is gone the memory goes back to the pool."""

    def __init__(self, memory: Array, free: list[Array]) -> None:
        self._memory, self._free = memory, free

    @property
    def __array_interface__(self) -> dict[str, Any]:
        """What numpy asks for to make an array that holds this object."""
        return self._memory.__array_interface__

    def __del__(self) -> None:
        if len(self._free) < MOST_FREE_ARRAYS:
            self._free.append(self._memory)


class ArrayPool:
    """Lends arrays; memory that nobody holds any more is lent again."""

    def __init__(self) -> None:
        self._free: list[Array] = []

    def copy(self, source: Array) -> Array:
        """A copy of an array, in lent memory; it and its views are valid as long as held."""
        fits = [k for k, kept in enumerate(self._free) if kept.shape == source.shape]
        memory = self._free.pop(fits[-1]) if fits else np.empty_like(source)
        result = np.asarray(Lease(memory, self._free))
        np.copyto(result, source)
        return result
