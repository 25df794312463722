"""Arrays handed out again: only when nobody can see them any more."""

from __future__ import annotations

import numpy as np

from simkit.kernels.spare import MOST, Spare


def address(array):
    return array.ctypes.data


def test_what_somebody_holds_is_left_alone():
    spare, source = Spare(), np.arange(6.0).reshape(2, 3)
    one = spare.copy(source)
    two = spare.copy(source + 1.0)
    assert address(one) != address(two)
    part = two[1, :2]  # holds it although its state is gone
    where = address(two)
    del two
    three = spare.copy(source + 2.0)
    assert address(three) != where
    assert np.array_equal(part, [4.0, 5.0])
    assert np.array_equal(one, source)
    assert np.array_equal(three, source + 2.0)


def test_what_nobody_holds_is_used_again():
    spare, source = Spare(), np.arange(6.0)
    first = spare.copy(source)
    where = address(first)
    del first
    second = spare.copy(source + 1.0)
    assert address(second) == where
    assert np.array_equal(second, source + 1.0)
    other = spare.copy(np.zeros(7))
    assert other.shape == (7,)


def test_no_more_than_some_are_kept():
    spare, source = Spare(), np.arange(6.0)
    held = [spare.copy(source + k) for k in range(MOST + 3)]
    assert len(spare._kept) == MOST
    assert all(np.array_equal(array, source + k) for k, array in enumerate(held))
