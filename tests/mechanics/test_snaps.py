"""Books of energy through snaps, and what is said where they do not balance.

Truth: EXACT. A sheet under a force that stays (dead load) loses, in a snap, the area between that
force and its curve of equilibrium; the curve comes from the arc-length method, which knows nothing
of drag. Energy: the work of a tool is stored, spent plastically or lost in snapping.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from snaps import DOWN, dead_push, disc_points, quarter_cap, ring

from simkit.errors import InputError
from simkit.inspection.sampling import probe_at
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.contact.engagement import TipContact
from simkit.mechanics.loads import NodalForces
from simkit.mechanics.model import pack_sheet
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.statics import trace_path
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.mechanics.stepping.process import Process
from simkit.mechanics.workspace import Workspace
from simkit.solve.nonlinear.arc import ArcSettings
from simkit.tool.bodies import ball

SETTINGS = AdvanceSettings()
DEAD = AdvanceSettings(first_mm=5.0, largest_mm=20.0)


def test_a_snap_under_a_dead_force_loses_the_area_between_force_and_path():
    model = quarter_cap(800.0)
    model = replace(model, law=pack_sheet(model.sheet, yielding=False), workspace=Workspace())
    push, end_N = dead_push(model, 20.0), 150.0
    done = advance(model, model.virgin(), Load(push, end_N), DEAD)
    assert done.outcome is Outcome.TRAVEL_LIMIT
    assert done.snapped

    disc = disc_points(model, 20.0)
    path = trace_path(model, NodalForces(end_N * push.nodal), ArcSettings(0.1, 1e-4, 0.15),
                      disc.place[:, :2], lambda u, factor: factor > 1.0)
    way = -path.displacement[:, :, 2] @ (disc.area / disc.area.sum())
    force = end_N * path.factors
    top = int(np.argmax(np.diff(force) < 0.0))
    assert top > 10
    after = top + int(np.argmax(force[top + 1:] > force[top])) + 1
    snap = slice(top, after)  # from the limit load until the path bears it again
    gap = force[top] - 0.5 * (force[snap][1:] + force[snap][:-1])
    lost = float((gap * np.diff(way[snap])).sum())
    assert done.drag == pytest.approx(lost, rel=0.02)
    assert done.put_in == pytest.approx(done.drag + _stored(model, done.loaded), rel=0.01)
    assert done.energy_error_pct < 1.0


def _stored(model, state):
    return model.internal(state.displacement, model.virgin(), False).stored


@pytest.mark.parametrize("radius_mm", [400.0, 800.0])
def test_a_dead_push_that_snaps_keeps_its_books(radius_mm):
    model = quarter_cap(radius_mm)
    done = advance(model, model.virgin(), Load(dead_push(model, 20.0), 200.0), DEAD)
    assert done.outcome is Outcome.TRAVEL_LIMIT
    assert done.snapped
    assert done.drag > 20.0
    assert done.plastic > 400.0
    assert done.energy_error_pct < 1.0


def test_a_ring_past_its_force_maximum_is_drawn_back_the_way_it_came():
    model = quarter_cap(800.0)
    load = Load(ring(model, 25.0), 4.0)
    done = advance(model, model.virgin(), load, SETTINGS)
    assert done.outcome is Outcome.TRAVEL_LIMIT
    assert max(p.force_N for p in done.path) > 1.2 * done.path[-1].force_N
    assert done.energy_error_pct < 1.0
    finer = advance(model, model.virgin(), load, AdvanceSettings(first_mm=0.03, largest_mm=0.1,
                                                                 release_steps=16))
    middle = probe_at(model, 0.0, 0.0)
    left = middle.read(done.state.displacement)
    assert left == pytest.approx(middle.read(finer.state.displacement), abs=0.03)
    assert finer.energy_error_pct < 0.3


def test_books_that_do_not_balance_are_an_outcome_and_the_panel_stays():
    model = quarter_cap(400.0)
    start = model.virgin()
    tip = set_tip(model, start, ball(20.0), np.zeros(3), DOWN, 4.0)
    settings = AdvanceSettings(first_mm=0.5, largest_mm=1.0, energy_error_pct=1e-7)
    done = advance(model, start, Load(tip, 4.0), settings)
    assert done.outcome is Outcome.BOOKS_OFF
    assert not done.outcome.valid
    assert "panel is left as it was" in done.outcome.advice
    assert done.state is start
    assert done.loaded is None
    assert done.energy_error_pct > 1e-7
    assert "the energy error is" in done.reason
    assert Outcome("books do not balance") is Outcome.BOOKS_OFF  # word of older run folders


def test_a_ball_with_default_settings_keeps_its_books():
    model = quarter_cap(800.0)
    tip = set_tip(model, model.virgin(), ball(20.0), np.zeros(3), DOWN, 12.0)
    for travel in (2.0, 4.0, 12.0):
        done = advance(model, model.virgin(), Load(tip, travel), SETTINGS)
        assert done.outcome is Outcome.TRAVEL_LIMIT
        assert done.energy_error_pct < 1.0, travel


def test_steps_that_were_rejected_leave_nothing_in_the_books():
    """The goal lies within the jump: every look beyond it snaps and is taken back."""
    model = quarter_cap(800.0)
    middle = probe_at(model, 0.0, 0.0)
    done = advance(model, model.virgin(),
                   Load(dead_push(model, 20.0), 200.0, probe=middle, goal_mm=-6.0), DEAD)
    assert done.outcome is Outcome.WOULD_SNAP
    assert middle.read(done.state.displacement) > -6.0
    assert done.drag == pytest.approx(0.0, abs=1e-9) or done.snapped
    assert done.energy_error_pct < 1.0


def test_the_last_increment_is_an_exact_balance():
    model = quarter_cap(800.0)
    tip = set_tip(model, model.virgin(), ball(20.0), np.zeros(3), DOWN, 2.0)
    strict = replace(SETTINGS, passing=SETTINGS.newton)
    loose = advance(model, model.virgin(), Load(tip, 2.0), SETTINGS).path[-1].force_N
    exact = advance(model, model.virgin(), Load(tip, 2.0), strict).path[-1].force_N
    assert loose == pytest.approx(exact, rel=5e-4)


def test_the_last_increment_is_computed_to_the_tolerance_of_an_end(monkeypatch):
    model, asked, as_it_is = quarter_cap(800.0), [], Process.equilibrium

    def listening(process, start, tool, travel, guess, **how):
        asked.append((tool, travel, how.get("ends", False)))
        return as_it_is(process, start, tool, travel, guess, **how)

    monkeypatch.setattr(Process, "equilibrium", listening)
    tip = set_tip(model, model.virgin(), ball(20.0), np.zeros(3), DOWN, 2.0)
    advance(model, model.virgin(), Load(tip, 2.0), SETTINGS)
    loading = [(travel, ends) for tool, travel, ends in asked if isinstance(tool, TipContact)]
    assert (2.0, True) in loading
    assert all(travel == 2.0 for travel, ends in loading if ends)


@pytest.mark.parametrize(("key", "value"), [
    ("travel_mm", 0.0), ("travel_mm", -1.0), ("travel_mm", np.nan), ("travel_mm", np.inf),
    ("force_N", 0.0), ("face_strain", np.nan), ("goal_mm", np.nan)])
def test_a_load_that_means_nothing_is_refused(key, value):
    model = quarter_cap(800.0)
    orders = {"travel_mm": 1.0, "probe": probe_at(model, 0.0, 0.0), key: value}
    with pytest.raises(InputError, match=key):
        Load(dead_push(model, 20.0), **orders)


def test_a_goal_needs_a_place():
    with pytest.raises(InputError, match="goal"):
        Load(dead_push(quarter_cap(800.0), 20.0), 1.0, goal_mm=-1.0)


@pytest.mark.parametrize(("key", "value"), [
    ("first_mm", 0.0), ("largest_mm", np.nan), ("smallest_share", 1.5), ("release_steps", -1),
    ("energy_error_pct", 0.0)])
def test_settings_that_mean_nothing_are_refused(key, value):
    with pytest.raises(InputError, match=key):
        AdvanceSettings(**{key: value})
