"""Loading and release by themselves. Truth: EXACT, integrals of polynomials; what is only elastic
gives all of its work back and leaves nothing (definition of elasticity)."""

from __future__ import annotations

import numpy as np
import pytest
from snaps import dead_push, quarter_cap

from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.mechanics.stepping.process import Process
from simkit.mechanics.stepping.release import fading_work, release_tool, travelled_work

SETTINGS = AdvanceSettings(first_mm=0.25, largest_mm=0.5)


def test_work_of_a_fading_force_along_a_cubic():
    """y = a s + b s^2 + c s^3: the integral of (1 - s) dy is a/2 + b/3 + c/4."""
    a, b, c = -3.0, 2.0, 0.7
    stages = [(s, 5.0 + a * s + b * s**2 + c * s**3, a + 2 * b * s + 3 * c * s**2)
              for s in (0.0, 0.35, 1.0)]
    assert fading_work(stages) == pytest.approx(a / 2 + b / 3 + c / 4, rel=1e-12)
    straight = [(s, a * s, None) for s in (0.0, 1.0)]
    assert fading_work(straight) == pytest.approx(a / 2, rel=1e-12)
    assert fading_work(stages[:1]) == 0.0


def test_work_of_a_tool_that_travels():
    """F = 3 t^2 + 2 t from 0 to 2 mm: 12 N mm, whether or not the first slope is known."""
    curve = [(t, 3 * t**2 + 2 * t, 6 * t + 2) for t in (0.0, 0.5, 2.0)]
    assert travelled_work(curve) == pytest.approx(12.0, rel=1e-12)
    assert travelled_work([(0.0, 0.0, None), *curve[1:]]) == pytest.approx(12.0, rel=1e-12)
    assert travelled_work(curve[:1]) == 0.0


@pytest.fixture(scope="module")
def loaded():
    """A quarter of a cap, pressed in its middle by a dead force that its yield stress bears."""
    model = quarter_cap(800.0, 80.0, 20.0)
    push = dead_push(model, 25.0)
    process = Process(model, SETTINGS, model.virgin())
    begin = process.rest(0)
    phase = LoadingPhase(process, Load(push, 50.0, force_N=20.0), begin)
    return process, begin, phase, phase.run()


def test_a_loading_ends_at_its_force(loaded):
    _, begin, phase, (outcome, reason) = loaded
    assert outcome is Outcome.FORCE_LIMIT, reason
    assert phase.now.reading.force_N == pytest.approx(20.0, rel=0.02)
    travels = [point.travel_mm for point in phase.path]
    assert travels == sorted(travels)
    assert phase.now.internal.plastic_work == begin.internal.plastic_work == 0.0
    assert phase.now.work == pytest.approx(phase.now.internal.stored, rel=0.01)


def test_what_is_elastic_comes_back(loaded):
    process, _, phase, _ = loaded
    pressed = np.abs(phase.now.state.displacement).max()
    free = release_tool(process, phase.now, phase.tool, phase.before)
    assert pressed > 0.05
    assert np.abs(free.point.state.displacement).max() < 1e-4 * pressed
    assert free.work == pytest.approx(-phase.now.internal.stored, rel=0.01)


def test_an_equilibrium_that_is_there_is_found_at_once(loaded):
    process, _, phase, _ = loaded
    again = process.equilibrium(phase.now, phase.tool, phase.now.travel, phase.now.x, ends=True)
    assert again.iterations <= 2
    assert again.work == pytest.approx(phase.now.work, rel=1e-6)
