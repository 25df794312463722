"""Limits foreseen while loading. Truth: EXACT, limits that grow along known parabolas."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.limits import LIMIT_SHARE, Approach, Limit


def approach(*shares, travels=(0.2, 0.5, 0.9)):
    """Increments at some travels; a share for each limit is a function of travel."""
    seen = Approach()
    for travel in travels:
        seen.note(travel, [Limit(outcome, share(travel), "") for outcome, share in zip(
            (Outcome.FORCE_LIMIT, Outcome.GLUE_LET_GO), shares, strict=False)])
    return seen


def test_nearest_limit_along_its_parabola():
    met = 1.0 - 0.5 * LIMIT_SHARE
    force = approach(lambda t: 0.1 * t + 0.3 * t * t)
    at = (-0.1 + np.sqrt(0.01 + 1.2 * met)) / 0.6
    assert force.way_left() == pytest.approx(at - 0.9, rel=1e-9)
    both = approach(lambda t: 0.1 * t + 0.3 * t * t, lambda t: 0.9 * t)
    assert both.way_left() == pytest.approx(met / 0.9 - 0.9, rel=1e-9)


def test_no_limit_in_sight():
    assert approach(lambda t: 0.0).way_left() == np.inf
    assert approach(lambda t: 0.3 * t * (1.2 - t)).way_left() == np.inf
    assert approach(lambda t: 0.9 * t, travels=(0.5,)).way_left() == np.inf


def test_increments_taken_back_are_forgotten():
    seen = approach(lambda t: 0.5 * t, travels=(0.2, 0.4, 0.6, 0.8))
    seen.back_to(2)
    assert seen.share(Outcome.FORCE_LIMIT) == pytest.approx(0.2)
    assert seen.way_left() == pytest.approx((1.0 - 0.5 * LIMIT_SHARE) / 0.5 - 0.4, rel=1e-9)
    seen.back_to(0)
    assert seen.share(Outcome.FORCE_LIMIT) == 0.0
    assert seen.way_left() == np.inf
