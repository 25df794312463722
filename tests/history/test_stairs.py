"""Depths on stairs. Truth: exact (straight lines)."""

from __future__ import annotations

import pytest

from simkit.history.stairs import Stair


def test_a_travel_is_taken_between_two_releases_of_one_stair() -> None:
    stair = Stair((4.0, -1.0), (6.0, -2.0))
    assert not stair.jump
    assert stair.travel_to(-1.5) == pytest.approx(5.0)
    assert stair.narrowed(5.0, -1.2, -1.5) == Stair((5.0, -1.2), (6.0, -2.0))
    assert stair.narrowed(5.0, -1.8, -1.5) == Stair((4.0, -1.0), (5.0, -1.8))


def test_a_depth_in_a_jump_is_called_so() -> None:
    assert Stair((20.0, -2.3), (20.4, -15.7)).jump
