"""What users of the mechanics ask of a plate: a driven point, a loading alone, places watched,
profiles, the force of a whole panel from its quarter, a model in words.

Truth: EXACT. Clamped circular plate (Timoshenko and Woinowsky-Krieger, Theory of Plates and
Shells, articles 16 and 19; MEMORY): in the middle w = q R^4 / (64 D) under a uniform load and
w = P R^2 / (16 pi D) under a force in the middle, there w(r) = P (R^2 - r^2 + 2 r^2 ln(r / R)) /
(16 pi D).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.inspection.sampling import point_on, probe_at, profile_between
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.mirrors import mirror_planes, whole_force
from simkit.mechanics.model import build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.prescribed import PrescribedDisplacement
from simkit.mechanics.statics import solve_linear, solve_static
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.load_only import load_only
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES, SYMMETRIC
from simkit.panel.surface import Curvature, disc_patch
from simkit.tool.bodies import ball

STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
RADIUS, THICKNESS = 100.0, 0.8
MESH = 6.25
"""Element size, mm: at a point force the error goes with (MESH / RADIUS)^2; 9 mm left 1.5 %."""
BENDING = STEEL.E_MPa * THICKNESS**3 / (12.0 * (1.0 - STEEL.nu**2))
DOWN = np.array([0.0, 0.0, -1.0])


@pytest.fixture(scope="module")
def disc():
    return build_model(disc_patch(RADIUS, Curvature(), MESH, MESH), STEEL, THICKNESS,
                       dict.fromkeys(SIDES, HELD), 3)


@pytest.fixture(scope="module")
def quarter():
    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD, "top": HELD}
    return build_model(disc_patch(RADIUS, Curvature(), MESH, MESH, quarter=True), STEEL, THICKNESS,
                       edges, 3)


def test_full_disc_under_a_uniform_load(disc):
    load = 1e-6
    moved = solve_linear(disc, AreaLoad(load * DOWN), np.zeros((1, 2))).displacement[0]
    assert moved[2] == pytest.approx(-load * RADIUS**4 / (64.0 * BENDING), rel=5e-3)
    assert np.abs(moved[:2]).max() < 1e-9 * abs(moved[2])


def driven(model, mm):
    """A plate driven down in the middle, far less than its thickness: force and state."""
    load = PrescribedDisplacement(0.0, 0.0, DOWN, mm)
    found = solve_static(model, load, [0.5, 1.0], np.zeros((1, 2)))
    assert found.converged
    assert found.displacement[:, 0, 2] == pytest.approx([-0.5 * mm, -mm], rel=1e-4)
    return load.force_N(model, found.state, 1.0), found.state


def test_a_point_inside_is_driven(disc):
    mm = 1e-3
    force, state = driven(disc, mm)
    assert force == pytest.approx(16.0 * np.pi * BENDING * mm / RADIUS**2, rel=0.01)
    cut = profile_between(disc, state, (-80.0, 0.0), (80.0, 0.0), 81)
    r = np.maximum(np.abs(cut.x_mm) / RADIUS, 1e-9)
    wanted = -mm * (1.0 - r**2 + 2.0 * r**2 * np.log(r))
    assert np.abs(cut.deviation_mm - wanted).max() < 0.01 * mm
    slanted = profile_between(disc, state, (-40.0, -40.0), (40.0, 40.0), 5)
    assert slanted.along_mm[-1] == pytest.approx(80.0 * np.sqrt(2.0))
    assert slanted.deviation_mm == pytest.approx(slanted.deviation_mm[::-1], rel=1e-6)
    assert slanted.height_mm == pytest.approx(slanted.deviation_mm, abs=1e-9)  # the plate is flat


def test_a_quarter_bears_a_quarter(disc, quarter):
    part, _ = driven(quarter, 1e-3)
    whole, _ = driven(disc, 1e-3)
    assert whole_force(quarter, part, np.zeros(3)) == pytest.approx(whole, rel=5e-3)
    assert whole_force(quarter, part, np.array([20.0, 0.0, 0.0])) == pytest.approx(2.0 * part)
    assert whole_force(quarter, part, np.array([20.0, 15.0, 0.0])) == part
    assert whole_force(disc, part, np.zeros(3)) == part
    assert sorted(mirror_planes(quarter)) == [(0, 0.0), (1, 0.0)]


def test_a_loading_stops_where_an_operation_lets_go(disc):
    start = disc.virgin()
    place, normal = point_on(disc, start, 0.0, 0.0)
    tip = set_tip(disc, start, ball(12.0), place, -normal, 5.0)
    middle, beside = probe_at(disc, 0.0, 0.0), probe_at(disc, 30.0, 0.0)
    settings = AdvanceSettings(first_mm=0.5, largest_mm=1.0, release_steps=0)
    load = Load(tip, 1.5, watched=(middle, beside))
    alone, whole = load_only(disc, start, load, settings), advance(disc, start, load, settings)
    assert alone.outcome is whole.outcome is Outcome.TRAVEL_LIMIT
    assert np.array_equal(alone.state.displacement, whole.loaded.displacement)
    assert alone.path == whole.path
    assert (alone.force_N, alone.travel_mm) == (alone.path[-1].force_N, 1.5)
    watched = np.array([point.watched_mm for point in alone.path])
    assert watched[-1] == pytest.approx([probe.read(alone.state.displacement)
                                         for probe in (middle, beside)])
    # the middle goes with the tool, by what the ball and the sheet flatten; the place beside less
    assert watched[-1, 0] == pytest.approx(-1.5, abs=0.02)
    assert watched[-1, 0] < watched[-1, 1] < 0.0
    assert replace(load, watched=()).watch(start) == ()


def test_a_model_in_six_lines(quarter):
    lines = str(quarter).split("\n")
    assert len(lines) == 6
    assert lines[0] == "sheet: steel, 0.8 mm in 3 layers, E 206000 MPa, nu 0.3"
    assert "left symmetric, bottom symmetric, right held, top held" in lines[3]
    assert f"equations: {quarter.layout.count}," in lines[5]


def test_bad_calls(disc):
    with pytest.raises(InputError, match="off the panel"):
        profile_between(disc, disc.virgin(), (0.0, 0.0), (300.0, 0.0))
    with pytest.raises(InputError, match="length of the profile"):
        profile_between(disc, disc.virgin(), (1.0, 0.0), (1.0, 0.0))
    with pytest.raises(InputError, match="off the patch"):
        PrescribedDisplacement(500.0, 0.0, DOWN, 1.0).on(disc)
    with pytest.raises(InputError, match="direction"):
        PrescribedDisplacement(0.0, 0.0, 0.0 * DOWN, 1.0).on(disc)
