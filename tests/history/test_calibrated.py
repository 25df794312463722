"""Rooms of bands from blind dents.

Truth: split conformal prediction holds the next of m + 1 exchangeable cases with probability
k / (m + 1), k = ceil((m + 1) share), counted here over many draws; Beta(k, m + 1 - k) of the share
held (Vovk 2012, from memory), against the uniform order statistic's own quantiles by sampling.
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.history.calibrated import (
    KINDS,
    MIDDLE_PULL,
    MIDDLE_TAP,
    PLACE_TAP,
    kind_of,
    room,
    rooms,
    score,
    strength_of,
)


def test_a_band_holds_the_next_dent_as_often_as_asked():
    rng = np.random.default_rng(1)
    held = []
    for _ in range(4000):
        drawn = rng.lognormal(size=15)
        held.append(drawn[-1] <= room(drawn[:-1])[1])
    assert np.mean(held) == pytest.approx(14 / 15, abs=0.015)  # k = 14 of m + 1 = 15


def test_the_spread_of_coverage_is_that_of_an_order_statistic():
    rng = np.random.default_rng(2)
    coverage = np.sort(rng.random((40000, 19)), axis=1)[:, 17]  # k = 18 of m = 19
    low, high = room(np.arange(19.0))[2:]
    assert (low, high) == pytest.approx(tuple(np.quantile(coverage, (0.05, 0.95))), abs=0.006)


def test_eight_dents_are_too_few_for_nine_in_ten():
    share, most, _, _ = room(np.arange(8.0))
    assert (share, most) == (pytest.approx(8 / 9), 7.0)
    assert room(np.arange(9.0))[:2] == (0.9, 8.0)
    assert room(np.arange(20.0))[:2] == (0.9, 18.0)


def test_a_score_is_negative_inside_and_counts_over_the_prediction():
    assert score(1.2, 1.0, 2.0, 1.5) == pytest.approx(-0.2 / 1.5)
    assert score(-0.5, -2.0, -1.0, -1.5) == pytest.approx(0.5 / 1.5)


def test_one_odd_dent_does_not_move_the_strength():
    true = np.array([0.9, 0.8, 0.85, 0.95, 0.9, 9.0])
    middle, spread = strength_of(true, np.ones(6))
    assert middle == pytest.approx(0.9)
    assert spread < 0.1


def test_every_kind_is_stored_with_its_cases():
    assert set(rooms()) == set(KINDS)
    for one in rooms().values():
        assert one.cases >= 2
        assert 0.0 < one.held_low < one.share < one.held_high < 1.0
        assert one.share <= min(0.9, one.cases / (one.cases + 1)) + 1e-4
        assert abs(one.room_share) < 5.0
        assert str(one.cases) in one.sentence()


def test_kinds_go_by_tool_and_place():
    assert kind_of("tap-down", True) == PLACE_TAP
    assert kind_of("tap-down", False) == MIDDLE_TAP
    assert kind_of("pull", False) == MIDDLE_PULL
