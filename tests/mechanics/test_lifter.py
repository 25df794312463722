"""A lifter on the panel, soft facings, a slide hammer's blow. Truth: EXACT, statics and beams.

Feet and pull balance; a strip between the feet bends as a beam under three forces, its middle by
F (s - c)^3 / (48 E I) with a stiff middle of length c; a ball on an elastic layer that is squeezed
point by point bears the integral of its squeeze (Winkler).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from tangents import tangent_times

from simkit.errors import InputError
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.contact.holding import Hold, stand
from simkit.mechanics.contact.lifter import set_lifter
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.mechanics.stepping.system import SheetSystem
from simkit.panel.edges import FREE, HELD, HINGED, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.solve.nonlinear.newton import NewtonSettings, newton
from simkit.tool.bodies import ball
from simkit.tool.glue import Glue
from simkit.tool.lifters import Lifter
from simkit.tool.tabs import round_tab

UP, ALONG = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
STIFF = Glue("hard", 1e4, 1e4, 1e5, 1e5, 400.0, 0.1)
LIFTER = Lifter("small", 70.0, 40.0, 16.0)


def panel(sheet=STEEL, half=(70.0, 60.0), thickness=0.8, element=8.0):
    patch = rectangle_patch((-half[0], half[0]), (-half[1], half[1]), Curvature(600.0, 400.0),
                            element, element)
    return build_model(patch, sheet, thickness, dict.fromkeys(SIDES, HELD), 3)


def lifted(model, tab=None):
    tab = tab or round_tab("round-20", 20.0)
    return set_lifter(model, model.virgin(), tab, STIFF, np.zeros(3), UP, ALONG, LIFTER)


def balanced(model, tool, travel):
    """The system in balance at a travel, reached in steps."""
    x = np.zeros(model.layout.count + tool.unknowns)
    for now in np.linspace(0.0, travel, 9)[1:]:
        system = SheetSystem(model, model.virgin(), tool, now)
        result = newton(system, x, NewtonSettings(iterations=40))
        assert result.converged
        x = result.x
    system.evaluate(x, False)
    return system, x


def test_feet_press_as_hard_as_the_tab_pulls():
    model = panel()
    tool = lifted(model)
    system, x = balanced(model, tool, 0.4)
    count = model.layout.count
    here = model.patch.control + model.layout.spread(x[:count])
    pull = system.reading.force_N
    assert pull > 50.0
    assert tool.feet_N(model, here, x[count:]) == pytest.approx(pull, rel=1e-6)
    assert abs(system.tool_nodal.sum(axis=0)[2]) < 1e-5 * pull
    # even about the screw: the feet of either end press alike
    pads = tool._pads(x[count:])
    press = -(tool._pull(model, pads, here) @ UP)
    ends = pads.rest[:, 0] > 0.0
    assert press[ends].sum() == pytest.approx(press[~ends].sum(), rel=1e-5)


def test_tangent_of_the_lifter_is_the_derivative():
    model = panel()
    tool = lifted(model)
    system, x = balanced(model, tool, 0.2)
    rng = np.random.default_rng(2)
    x = x + rng.normal(0.0, 1e-4, x.size)
    way = rng.normal(size=x.size)
    ours = tangent_times(system, model, tool, x, way)
    h = 1e-6
    numeric = (system.evaluate(x + h * way, False) - system.evaluate(x - h * way, False)) / (2 * h)
    assert np.linalg.norm(ours - numeric) < 1e-5 * np.linalg.norm(numeric)


def test_books_of_a_pull_by_a_lifter_balance():
    model = panel()
    done = advance(model, model.virgin(), Load(lifted(model), 1.5),
                   AdvanceSettings(first_mm=0.1, largest_mm=0.25))
    assert done.outcome.valid
    assert done.plastic > 10.0
    assert done.energy_error_pct < 1.0


def test_a_strip_between_the_feet_is_a_beam_under_three_forces():
    """Sheet without lateral contraction, free sides, hinged at its ends, which then feel nothing.
    Small soft pads, so that they do not hold the strip against turning."""
    sheet = Sheet("plain", 200000.0, 0.0, Swift(1e9, 0.5, 0.1))
    patch = rectangle_patch((-80.0, 80.0), (-10.0, 10.0), Curvature(np.inf, np.inf), 4.0, 5.0)
    model = build_model(patch, sheet, 2.0, {"left": HINGED, "right": HINGED, "bottom": FREE,
                                            "top": FREE}, 3)
    tool = set_lifter(model, model.virgin(), round_tab("small", 4.0), STIFF, np.zeros(3), UP,
                      ALONG, Lifter("beam", 100.0, 0.0, 4.0, 200.0))
    system, x = balanced(model, tool, 0.1)
    moved = model.layout.spread(x[:model.layout.count])
    u, v, _ = model.patch.locate(np.array([0.0, -50.0, 50.0]), np.zeros(3))
    w = (model.patch.evaluation(u, v) @ moved)[:, 2]
    give = w[0] - 0.5 * (w[1] + w[2])
    inertia = 20.0 * 2.0**3 / 12.0
    beam = system.reading.force_N * 100.0**3 / (48.0 * sheet.E_MPa * inertia)
    assert give == pytest.approx(beam, rel=0.03)  # point forces on a strip 20 mm wide
    held = model.internal(moved, model.virgin(), False).force
    assert abs(held.sum(axis=0)[2]) < 1e-3 * system.reading.force_N


def test_a_ball_with_a_soft_facing_is_winklers():
    """F = integral of k squeeze over the touched disc, squeeze R - sqrt(r^2 + (R - d)^2); the sheet
    hardly moves. Contact is taken between parallel surfaces through the sheet's middle, so R is the
    ball's radius and half the thickness."""
    rigid = Sheet("rigid", 2e7, 0.3, Swift(1e9, 0.5, 0.1))
    patch = rectangle_patch((-40.0, 40.0), (-40.0, 40.0), Curvature(np.inf, np.inf), 4.0, 4.0)
    model = build_model(patch, rigid, 2.0, dict.fromkeys(SIDES, HELD), 3)
    radius, deep, k = 30.0, 1.0, 0.05
    tool = set_tip(model, model.virgin(), ball(radius), np.array([0.3, 0.2, 1.0]), -UP, 2.0,
                   facing_MPa_per_mm=k)
    done = advance(model, model.virgin(), Load(tool, deep),
                   AdvanceSettings(first_mm=0.1, largest_mm=0.2))

    radius += 1.0

    def band(r):
        away = np.hypot(r, radius - deep)
        return 2.0 * np.pi * r * k * (radius - away) * (radius - deep) / away

    exact = quad(band, 0.0, np.sqrt(radius**2 - (radius - deep) ** 2))[0]
    assert done.force_N == pytest.approx(exact, rel=0.01)


def test_a_slide_hammers_blow_does_its_energy():
    model = panel()
    tool = glue_tab(model, model.virgin(), round_tab("round-20", 20.0), STIFF, np.zeros(3), UP)
    done = advance(model, model.virgin(), Load(tool, 8.0, energy_Nmm=120.0),
                   AdvanceSettings(first_mm=0.05, largest_mm=0.1))
    assert done.outcome.value == "blow spent"
    assert done.put_in == pytest.approx(120.0, rel=0.02)


def test_what_does_not_fit_is_refused():
    model = panel()
    with pytest.raises(InputError):
        lifted(model, round_tab("wide", 70.0))
    with pytest.raises(InputError):
        set_lifter(model, model.virgin(), round_tab("round-20", 20.0), STIFF, np.zeros(3), UP,
                   ALONG, Lifter("long", 160.0))
    for wrong in ({"span_mm": 0.0}, {"span_mm": 50.0, "width_mm": 10.0},
                  {"span_mm": 50.0, "pad_mm": -1.0}):
        with pytest.raises(InputError):
            Lifter("wrong", **wrong)
    tool = lifted(model)
    with pytest.raises(TypeError):
        stand(model, tool, np.zeros(model.layout.count + tool.unknowns),
              np.zeros_like(model.patch.control), 0.0, Hold("x", 0.0, 0.0, way="locked"))
