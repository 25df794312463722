"""A large crowned panel that has two free shapes behind one loaded one.

Pressed in by a ball it springs back to a couple of millimetres or stays turned in, with nothing in
between. Truth: real releases from fixed travels, which know nothing of goals and forecasts.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from snaps import DOWN

from simkit.inspection.sampling import probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SYMMETRIC
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.tool.bodies import ball

SETTINGS = AdvanceSettings(first_mm=0.3, largest_mm=1.0, goal_tolerance_mm=0.03)
SEARCH = AdvanceSettings(first_mm=0.3, largest_mm=1.0, goal_tolerance_mm=0.03, release_steps=0)


@cache
def panel():
    """A quarter of 900 x 600 mm with radii of 2500 and 900 mm, 0.7 mm thick."""
    patch = rectangle_patch((0.0, 450.0), (0.0, 300.0), Curvature(2500.0, 900.0), 14.0, 40.0,
                            window=Window(0.0, 100.0, 0.0, 100.0))
    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD, "top": HELD}
    return build_model(patch, load_grade("DC04").sheet(), 0.7, edges)


def pressed(travel_mm, goal_mm=None, settings=SETTINGS):
    model = panel()
    start, middle = model.virgin(), probe_at(model, 0.0, 0.0)
    tip = set_tip(model, start, ball(60.0), np.zeros(3), DOWN, travel_mm)
    done = advance(model, start, Load(tip, travel_mm, probe=middle, goal_mm=goal_mm), settings)
    return done, middle.read(done.state.displacement)


@cache
def stairs():
    """Depths that are left, by travel."""
    return {travel: pressed(travel)[1] for travel in (17.0, 23.0)}


def test_nothing_is_left_between_the_two_shapes():
    assert stairs()[17.0] > -3.0
    assert stairs()[23.0] < -15.0


def test_a_depth_between_the_two_shapes_would_snap():
    done, left = pressed(75.0, -9.0)
    assert done.outcome is Outcome.WOULD_SNAP
    assert 17.0 < done.travel_mm < 23.0
    assert stairs()[17.0] - 1.5 < left < 0.0
    assert done.energy_error_pct < 1.0


def test_a_depth_beyond_is_reached_where_a_real_release_has_it():
    done, left = pressed(120.0, -18.0)
    assert done.outcome is Outcome.REACHED
    assert done.travel_mm < 27.0
    assert left == pytest.approx(-18.0, abs=0.2)
    assert done.energy_error_pct < 1.0


def test_a_search_does_not_take_the_shape_it_foresaw_for_the_real_one():
    assert pressed(23.0, settings=SEARCH)[1] == pytest.approx(stairs()[23.0], rel=0.05)


def test_a_search_stops_before_the_snap_although_it_follows_the_other_shape():
    done, left = pressed(120.0, -9.0, SEARCH)
    assert done.outcome is Outcome.WOULD_SNAP
    assert stairs()[17.0] - 1.5 < left < 0.0
