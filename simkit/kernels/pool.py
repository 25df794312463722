"""Pool of reusable arrays.

The state of a large panel takes tens of megabytes, and the system is slow to provide new memory
pages, so the memory of states that nobody uses any more is used again.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_FREE_ARRAYS = 8
"""Free arrays that a pool keeps for reuse; further ones are returned to the system."""


class Lease:
    """Owner of lent memory.

    The array made from it and all views of that array hold a reference to the lease. When the last
    of them is deleted, the memory returns to the pool.
    """

    def __init__(self, memory: Array, free: list[Array]) -> None:
        self._memory, self._free = memory, free

    @property
    def __array_interface__(self) -> dict[str, Any]:
        """Numpy's array interface: `np.asarray` makes an array that keeps this object alive."""
        return self._memory.__array_interface__

    def __del__(self) -> None:
        if len(self._free) < MOST_FREE_ARRAYS:
            self._free.append(self._memory)


class ArrayPool:
    """Lends arrays and lends their memory again once no array or view of it is left."""

    def __init__(self) -> None:
        self._free: list[Array] = []

    def copy(self, source: Array) -> Array:
        """Return a copy of an array in lent memory; the memory stays reserved while the copy or a
        view of it exists."""
        fits = [k for k, kept in enumerate(self._free) if kept.shape == source.shape]
        memory = self._free.pop(fits[-1]) if fits else np.empty_like(source)
        result = np.asarray(Lease(memory, self._free))
        np.copyto(result, source)
        return result
