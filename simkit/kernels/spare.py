"""Memory used again: states of a large panel are tens of megabytes, and new pages are slow."""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST = 8
"""Arrays kept; what is asked for beyond them is new each time."""


class Spare:
    """Hands out arrays, and hands one out again once nobody holds it or a part of it."""

    def __init__(self) -> None:
        self._kept: list[Array] = []
        self._unused = self._holders([np.empty(0)], 0)

    @staticmethod
    def _holders(kept: list[Array], k: int) -> int:
        return sys.getrefcount(kept[k])

    def copy(self, source: Array) -> Array:
        """A copy of an array; views of it keep it from being used again, as it is one itself."""
        k = 0  # a loop over the arrays themselves would hold them
        while k < len(self._kept) and not (self._kept[k].shape == source.shape
                                           and self._holders(self._kept, k) == self._unused):
            k += 1
        if k == MOST:
            return source.copy()
        if k == len(self._kept):
            self._kept.append(np.empty_like(source))
        result = self._kept[k].view()
        np.copyto(result, source)
        return result
