"""Wedges between panel and brace. Truth: EXACT, statics of bodies with friction, and a beam.

The force on the sheet follows from the equilibrium of the wedge with sliding friction on both
faces; what the drive puts in is what the sheet receives and what friction takes. A strip pressed by
a flat rigid face bends as a beam under two forces at the ends of the face's flat part.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from struck_session import struck_session

from simkit.case import load_case
from simkit.errors import InputError, InputErrors
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import FREE, HINGED, Edge
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.session import Session
from simkit.show.setting import _wedge
from simkit.strategy import find_strategy
from simkit.tool.wedges import Wedge

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: curved
  radius_y_mm: 500
  length_x_mm: 160
  length_y_mm: 120
  thickness_mm: 0.8
  grade: DC04
  supports: [{name: beam, shape: rectangle, x_mm: 0, y_mm: 0, length_mm: 120, width_mm: 30,
              stiffness_N_per_mm3: 1.0, gap_mm: 9}]
  behind: {reach: none}
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit:
  tabs: [round-25]
  tips: [ball-12]
  hammers: [{name: light, mass_g: 100}]
  wedges: [{name: slim, face_mm: 30, width_mm: 20, edge_mm: 2, thick_mm: 14, length_mm: 120},
           {name: steep, face_mm: 30, width_mm: 20, edge_mm: 2, thick_mm: 30, length_mm: 30},
           {name: weak, face_mm: 30, width_mm: 20, edge_mm: 2, thick_mm: 14, length_mm: 120,
            drive_N: 60},
           {name: short, face_mm: 30, width_mm: 20, edge_mm: 2, thick_mm: 8, length_mm: 60}]
"""
SLIM = Wedge("slim", 30.0, 20.0, 1.0, 2.0, 14.0, 120.0, 0.2, 400.0)
PUSH = Operation("push", "slim", 0.0, 0.0, -1.0)


@pytest.fixture(scope="module")
def dented(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return struck_session(tmp_path_factory.mktemp("case"), CASE)


@pytest.mark.parametrize("wedge", [SLIM, replace(SLIM, thick_mm=50.0, friction=0.35),
                                   replace(SLIM, friction=0.0)])
def test_forces_on_the_wedge_are_in_equilibrium(wedge: Wedge):
    """Unknown: the forces P across the flat face and Q across the slope; each drags along its face
    against the motion with the coefficient of friction. Drive 1 N along the flat face."""
    c, s, mu = np.cos(wedge.angle_rad), np.sin(wedge.angle_rad), wedge.friction
    # along the drive: mu P + (s + mu c) Q = 1; across: P = (c - mu s) Q
    flat, slope = np.linalg.solve([[mu, s + mu * c], [1.0, -(c - mu * s)]], [1.0, 0.0])
    assert slope > 0.0
    assert wedge.lifts_N == pytest.approx(wedge.drive_N * flat, rel=1e-12)
    # books: the drive along 1 mm = lift times rise + friction times the ways on both faces
    taken = mu * flat * 1.0 + mu * slope / c
    assert flat * wedge.taper + taken == pytest.approx(1.0, rel=1e-12)


def test_a_wedge_fills_the_gap_before_it_lifts():
    assert SLIM.taper == pytest.approx(0.1)
    assert SLIM.rise_mm(9.0) == pytest.approx(5.0)
    assert SLIM.driven_mm(9.0, 0.0) == pytest.approx(70.0)
    assert SLIM.driven_mm(9.0, SLIM.rise_mm(9.0)) == pytest.approx(SLIM.length_mm)
    assert SLIM.locks
    assert not replace(SLIM, friction=0.04).locks
    for gap in (2.0, 14.0):
        with pytest.raises(InputError):
            SLIM.rise_mm(gap)


def test_a_strip_over_the_face_is_a_beam_under_two_forces():
    """Flat part c of the face; forces F/2 at its ends, rise F a^2 (3 L - 4 a) / (12 E I) with
    a = (L - c) / 2; the strip lifts off between them, its middle rises higher. One end can slide,
    so the strip is not stretched."""
    sheet = Sheet("plain", 200000.0, 0.0, Swift(1e9, 0.5, 0.1))
    long, wide, thick = 160.0, 6.0, 1.0
    patch = rectangle_patch((-0.5 * long, 0.5 * long), (-0.5 * wide, 0.5 * wide),
                            Curvature(np.inf, np.inf), 2.0, 3.0)
    slides = Edge(fixed=(False, False, True))
    model = build_model(patch, sheet, thick, {"left": HINGED, "right": slides, "bottom": FREE,
                                              "top": FREE}, 3)
    wedge = replace(SLIM, face_mm=42.0, width_mm=20.0, nose_mm=1.0)
    rise = 0.08
    tool = set_tip(model, model.virgin(), wedge.body(), np.zeros(3), np.array([0.0, 0.0, 1.0]),
                   rise)
    done = advance(model, model.virgin(), Load(tool, rise),
                   AdvanceSettings(first_mm=0.02, largest_mm=0.02))
    a, inertia = 0.5 * (long - 40.0), wide * thick**3 / 12.0
    beam = rise * 12.0 * sheet.E_MPa * inertia / (a**2 * (3.0 * long - 4.0 * a))
    assert done.force_N == pytest.approx(beam, rel=0.02)
    # the work is half of force times rise, since everything is linear
    assert done.put_in == pytest.approx(quad(lambda w: beam * w / rise, 0.0, rise)[0], rel=0.04)


def test_a_wedge_lifts_a_low_and_says_what_it_took(dented: Session):
    row = dented.apply(PUSH).now.row
    assert row.outcome == "reached"
    assert row.released_mm == pytest.approx(-1.0, abs=0.02)
    assert abs(row.energy_error_pct) < 1.0
    assert "beam bears" in row.reason
    driven = SLIM.driven_mm(9.0 + row.before_mm, row.travel_mm)
    assert f"driven {driven:.0f} mm in with {row.force_N * SLIM.drive_per_lift:.0f} N" in row.reason
    weak = dented.apply(replace(PUSH, tool="weak")).now.row
    assert weak.outcome == "force limit"
    assert weak.force_N == pytest.approx(replace(SLIM, drive_N=60.0).lifts_N, rel=0.021)
    assert weak.mark_mm >= 0.0
    short = dented.apply(replace(PUSH, tool="short")).now.row
    assert short.outcome == "travel limit"
    assert short.travel_mm == pytest.approx(8.0 - (9.0 + short.before_mm), rel=1e-9)


def test_a_wedge_that_locks_stays_while_the_crown_is_tapped(dented: Session):
    held = dented.apply(Operation("hold", "slim", 0.0, 0.0, force_N=150.0, way="locked"))
    assert held.now.row.outcome == "reached"
    assert held.now.row.held_N == pytest.approx(150.0, rel=0.05)
    tapped = held.tap_down("ball-12", 38.0, 0.0, -0.4)
    assert abs(tapped.now.row.energy_error_pct) < 1.0
    assert tapped.let_down().now.row.held_N == 0.0


@pytest.mark.parametrize("operation", [
    replace(PUSH, kind="tap-down"), replace(PUSH, spread=Spread(20.0, 10.0)),
    replace(PUSH, y_mm=40.0), replace(PUSH, tool="slimmer"),
    replace(PUSH, hammer="light", speed_m_s=1.0), replace(PUSH, kind="pull"),
    Operation("hold", "slim", 0.0, 0.0, force_N=150.0),
    Operation("hold", "steep", 0.0, 0.0, force_N=150.0, way="locked")])
def test_wedges_that_cannot_be_are_refused_in_one_line(dented: Session, operation: Operation):
    with pytest.raises(InputError) as error:
        dented.apply(operation)
    assert "\n" not in str(error.value)


def test_wedges_that_make_no_sense_are_refused(tmp_path: Path):
    for wrong in ({"thick_mm": 2.0}, {"friction": -0.1}, {"friction": 12.0}, {"drive_N": 0.0},
                  {"nose_mm": 15.0}):
        with pytest.raises(InputError):
            replace(SLIM, **wrong)
    file = tmp_path / "case.yaml"
    file.write_text(CASE.replace("{name: steep,", "{name: ball-12,").replace(
        "thick_mm: 30", "thick_mm: 1").replace("name: weak, face_mm: 30", "name: weak, face_mm: 2"))
    with pytest.raises(InputErrors) as errors:
        load_case(file)
    assert {e.key for e in errors.value.errors} == {
        "kit.wedges[1].name", "kit.wedges[1].thick_mm", "kit.wedges[2].nose_mm"}


def test_strategies_pass_over_what_only_a_wedge_reaches(dented: Session):
    operation = find_strategy("worst-spot-first", dented.work.case).next(dented)
    assert operation is None or operation.tool in ("round-25", "ball-12")
    found = _wedge({"name": "slim", "face_mm": 30.0, "width_mm": 20.0, "nose_mm": 1.0})
    assert found is not None
    assert np.allclose(np.abs(found[1]).max(axis=0), [15.0, 10.0])
