"""Lent memory goes back to its pool only when no view of it is left."""

from __future__ import annotations

import numpy as np

from simkit.kernels.pool import MOST_FREE_ARRAYS, ArrayPool


def address(array):
    return array.ctypes.data


def test_what_somebody_holds_is_left_alone():
    pool, source = ArrayPool(), np.arange(6.0).reshape(2, 3)
    one = pool.copy(source)
    two = pool.copy(source + 1.0)
    assert address(one) != address(two)
    part = two[1, :2]  # holds it although its state is gone
    where = address(two)
    del two
    three = pool.copy(source + 2.0)
    assert address(three) != where
    assert np.array_equal(part, [4.0, 5.0])
    assert np.array_equal(one, source)
    assert np.array_equal(three, source + 2.0)


def test_what_nobody_holds_is_used_again():
    pool, source = ArrayPool(), np.arange(6.0)
    first = pool.copy(source)
    where = address(first)
    del first
    second = pool.copy(source + 1.0)
    assert address(second) == where
    assert np.array_equal(second, source + 1.0)
    other = pool.copy(np.zeros(7))
    assert other.shape == (7,)


def test_no_more_than_some_are_kept():
    pool, source = ArrayPool(), np.arange(6.0)
    held = [pool.copy(source + k) for k in range(MOST_FREE_ARRAYS + 3)]
    assert len(pool._free) == 0
    assert all(np.array_equal(array, source + k) for k, array in enumerate(held))
    held.clear()
    assert len(pool._free) == MOST_FREE_ARRAYS
