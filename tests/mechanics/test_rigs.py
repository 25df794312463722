"""Several tabs under a beam, two drawn apart by a spreader. Truth: EXACT, statics, beams and bars.

A hinged strip under point forces deflects by the flexibility of a beam; the forces of the tabs
follow from it and the beam's statics. A strip drawn between two tabs stretches by F L / (E A) and,
with the screw h above it, bends by the moment F h: lift F h L^2 / (8 E I) at half length. Tabs on a
bed that does not give slide off at area times shear strength.
"""

from __future__ import annotations

import numpy as np
import pytest
from tangents import tangent_times

from simkit.errors import InputError
from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.holding import Hold, stand
from simkit.mechanics.contact.lifter import stand_over
from simkit.mechanics.contact.rigs import set_beam, set_spreader
from simkit.mechanics.model import build_model, held_force
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.standing import standing_arrays, standing_from
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.holding import hold, let_down
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.mechanics.stepping.system import SheetSystem
from simkit.panel.edges import FREE, HELD, HINGED, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.solve.nonlinear.newton import NewtonSettings, newton
from simkit.tool.glue import Glue
from simkit.tool.lifters import Lifter
from simkit.tool.rigs import Beam, Spreader
from simkit.tool.tabs import Tab, round_tab

UP, ALONG = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
STEEL = Sheet("steel", 206000.0, 0.3, Swift(500.0, 0.005, 0.2))
PLAIN = Sheet("plain", 200000.0, 0.0, Swift(1e9, 0.5, 0.1))
STIFF = Glue("hard", 1e4, 1e4, 1e5, 1e5, 400.0, 0.1)
SETTINGS = AdvanceSettings(first_mm=0.05, largest_mm=0.25)
FINE = AdvanceSettings(first_mm=0.01, largest_mm=0.04)
LONG, WIDE, THICK = 160.0, 6.0, 1.0


def panel():
    patch = rectangle_patch((-90.0, 90.0), (-50.0, 50.0), Curvature(600.0, 400.0), 9.0, 9.0)
    return build_model(patch, STEEL, 0.8, dict.fromkeys(SIDES, HELD), 3)


def strip(left, right, length=LONG, thickness=THICK):
    patch = rectangle_patch((-0.5 * length, 0.5 * length), (-0.5 * WIDE, 0.5 * WIDE),
                            Curvature(np.inf, np.inf), 4.0, 3.0)
    edges = {"left": left, "right": right, "bottom": FREE, "top": FREE}
    return build_model(patch, PLAIN, thickness, edges, 3)


def on(model, x, y=0.0):
    """Place and normal of the undamaged sheet."""
    u, v, _ = model.patch.locate(np.array([x]), np.array([y]))
    return (model.patch.evaluation(u, v) @ model.patch.control)[0], model.patch.normals(u, v)[0]


def beamed(model, beam, tab=None, glue=STIFF, middle=0.0):
    places = np.array([on(model, middle + u)[0] for u in beam.offsets()])
    return set_beam(model, model.virgin(), tab or round_tab("round-20", 20.0), glue, places,
                    on(model, middle)[1], ALONG, beam)


def spread(model, spreader, tab=None, glue=STIFF, middle=0.0):
    places, normals = (np.array(part) for part in zip(*(
        on(model, middle + u) for u in spreader.offsets()), strict=True))
    return set_spreader(model, model.virgin(), tab or round_tab("round-20", 20.0), glue, places,
                        normals, spreader)


def balanced(model, tool, travel, steps=6):
    x = np.zeros(model.layout.count + tool.unknowns)
    for now in np.linspace(0.0, travel, steps + 1)[1:]:
        system = SheetSystem(model, model.virgin(), tool, now)
        result = newton(system, x, NewtonSettings(iterations=40))
        assert result.converged
        x = result.x
    system.evaluate(x, False)
    return system, x


def carried(model, tool, x, travel):
    count = model.layout.count
    here = model.patch.control + model.layout.spread(x[:count])
    return np.array(tool.carried_N(model, here, x[count:], travel))


def read(model, x, axis, *places):
    moved = model.layout.spread(x[:model.layout.count])
    u, v, _ = model.patch.locate(np.array(places), np.zeros(len(places)))
    return (model.patch.evaluation(u, v) @ moved)[:, axis]


def beam_flexibility(places):
    """Deflection at place i under 1 N at place j of a beam hinged at both ends (any handbook:
    w(x) = b x (L^2 - b^2 - x^2) / (6 L E I) left of the force, b its distance from the right)."""
    stiffness = PLAIN.E_MPa * WIDE * THICK**3 / 12.0
    found = np.empty((len(places), len(places)))
    for i, x in enumerate(places):
        for j, a in enumerate(places):
            x1, b = (x, LONG - a) if x <= a else (LONG - x, a)
            found[i, j] = b * x1 * (LONG**2 - b**2 - x1**2) / (6.0 * LONG * stiffness)
    return found


@pytest.mark.parametrize("way", ["rocking", "parallel", "even"])
def test_the_tabs_of_a_beam_share_the_pull_as_statics_says(way):
    """Unknown: forces f and travels t of the tabs. Beam theory: deflections = flexibility f.
    parallel: all travels alike; rocking: they lie on a line and the moments about the screw are
    zero; even: all forces alike. The middle is beside the middle of the strip."""
    model, beam, middle, travel = strip(HINGED, HINGED), Beam("row", 3, 36.0, way), 12.0, 0.05
    tool = beamed(model, beam, round_tab("small", 4.0), middle=middle)
    system, x = balanced(model, tool, travel)
    shares, pull = carried(model, tool, x, travel), system.reading.force_N
    assert shares.sum() == pytest.approx(pull, rel=1e-9)
    give = beam_flexibility(0.5 * LONG + middle + beam.offsets())
    if way == "even":
        expected = np.full(3, travel / give.mean(axis=1).sum())
    else:
        free = beam.ways()
        count = 3 + free.shape[1]
        system_of = np.zeros((count, count))
        system_of[:3, :3], system_of[:3, 3:], system_of[3:, :3] = give, -free, free.T
        expected = np.linalg.solve(system_of, [travel] * 3 + [0.0] * free.shape[1])[:3]
    assert shares == pytest.approx(expected, rel=0.03, abs=0.03 * np.abs(expected).max())
    if way == "rocking":
        assert abs(shares @ beam.offsets()) < 1e-6 * pull * beam.spacing_mm
    if way == "even":
        assert np.ptp(shares) < 1e-6 * pull


@pytest.mark.parametrize("rig", ["beam", "spreader", "lifter"])
def test_tangent_of_a_rig_is_the_derivative(rig):
    """Without growing damage, of whose tangent the solver gets the symmetric half."""
    model = panel()
    soft = Glue("soft", 2.0, 1.0, 2.0, 3.0, 20.0, 0.5)
    if rig == "spreader":
        tool, travel = spread(model, Spreader("s", 60.0, 8.0), glue=soft), 0.1
    else:
        bends = Tab("bends", "round", 20.0, 20.0, thickness_mm=4.0, modulus_MPa=2500.0)
        tool, travel = beamed(model, Beam("row", 3, 30.0), bends, soft), 0.4
        if rig == "lifter":
            tool = stand_over(model, model.virgin(), tool, Beam("row", 3, 30.0).row(bends),
                              on(model, 0.0)[0], Lifter("wide", 120.0, 0.0, 16.0))
    tool = tool.lasting()
    system, x = balanced(model, tool, travel)
    rng = np.random.default_rng(2)
    x, way = x + rng.normal(0.0, 1e-4, x.size), rng.normal(size=x.size)
    ours, count = tangent_times(system, model, tool, x, way), model.layout.count
    h = 1e-6
    numeric = (system.evaluate(x + h * way, False) - system.evaluate(x - h * way, False)) / (2 * h)
    for part in (slice(count), slice(count, None)):
        assert np.linalg.norm((ours - numeric)[part]) < 1e-5 * np.linalg.norm(numeric[part])


def test_books_of_a_pull_by_a_beam_balance_and_one_tab_off_ends_it():
    """Two tabs on a rocking beam carry alike, so the weaker ends the pull for both."""
    model, beam = panel(), Beam("pair", 2, 60.0)
    done = advance(model, model.virgin(), Load(beamed(model, beam), 2.0), SETTINGS)
    assert done.outcome.valid
    assert done.plastic > 10.0
    assert done.energy_error_pct < 1.0
    assert done.shares_N[0] == pytest.approx(done.shares_N[1], rel=1e-3)
    assert sum(done.shares_N) == pytest.approx(done.path[-1].force_N, rel=1e-6)
    weak = Glue("weak", 0.4, 0.2, 0.4, 0.6, 20.0, 0.5)
    off = advance(model, model.virgin(), Load(beamed(model, beam, glue=weak), 5.0), SETTINGS)
    assert off.outcome is Outcome.GLUE_LET_GO
    assert off.force_N < 2.0 * weak.holds_N(np.pi * 100.0)


def test_a_lifter_over_a_beam_stands_on_the_pull():
    model, beam = panel(), Beam("pair", 2, 40.0)
    row = beamed(model, beam)
    tool = stand_over(model, model.virgin(), row, beam.row(round_tab("round-20", 20.0)),
                      on(model, 0.0)[0], Lifter("wide", 120.0, 40.0, 16.0))
    system, x = balanced(model, tool, 0.3)
    count = model.layout.count
    here = model.patch.control + model.layout.spread(x[:count])
    assert tool.feet_N(model, here, x[count:]) == pytest.approx(system.reading.force_N, rel=1e-6)
    shares = carried(model, tool, x, 0.3)
    assert shares[0] == pytest.approx(shares[1], rel=1e-5)
    assert shares.sum() == pytest.approx(system.reading.force_N, rel=1e-9)


def test_a_strip_drawn_between_two_tabs_stretches_as_a_bar():
    """Clamped at one end, free at the other: nothing outside the tabs is loaded."""
    model = strip(HELD, FREE)
    tool = spread(model, Spreader("level", 80.0, 0.0), round_tab("small", 5.0))
    system, x = balanced(model, tool, 0.02)
    force = system.reading.force_N
    a, b, end, tip = read(model, x, 0, -25.0, 25.0, -60.0, 60.0)
    assert b - a == pytest.approx(force * 50.0 / (PLAIN.E_MPa * WIDE * THICK), rel=0.005)
    assert abs(end) < 1e-3 * (tip - end)
    assert carried(model, tool, x, 0.02) == pytest.approx([force, force], rel=1e-9)
    held = model.internal(model.layout.spread(x[:model.layout.count]), model.virgin(), False).force
    assert np.abs(held.sum(axis=0)).max() < 1e-6 * force


def test_a_screw_above_the_strip_bends_it_upwards():
    """Moment F h between the tabs; lift of the middle over a base b: F h b^2 / (8 E I). The force
    is small, so that its second-order moment is too (F b^2 / (8 E I) = 0.4 %)."""
    model, high = strip(HELD, FREE), 20.0
    tool = spread(model, Spreader("high", 80.0, high), round_tab("small", 5.0))
    system, x = balanced(model, tool, 0.02, steps=2)
    force = system.reading.force_N
    inertia, base = WIDE * THICK**3 / 12.0, 50.0
    a, middle, b = read(model, x, 2, -0.5 * base, 0.0, 0.5 * base)
    lift = middle - 0.5 * (a + b)
    assert force * base**2 / (8.0 * PLAIN.E_MPa * inertia) < 0.01
    assert lift == pytest.approx(force * high * base**2 / (8.0 * PLAIN.E_MPa * inertia), rel=0.01)


def test_tabs_on_a_stiff_bed_slide_off_at_area_times_shear_strength():
    """Screw at the height of the sheet: no moment, every point of the glue slips alike."""
    patch = rectangle_patch((-60.0, 60.0), (-25.0, 25.0), Curvature(np.inf, np.inf), 8.0, 8.0)
    rigid = Sheet("rigid", 2e8, 0.3, Swift(1e9, 0.5, 0.1))
    model = build_model(patch, rigid, 5.0, dict.fromkeys(SIDES, HELD), 3)
    glue = Glue("stick", 2.0, 1.0, 2.0, 3.0, 20.0, 0.5)
    done = advance(model, model.virgin(), Load(spread(model, Spreader("level", 60.0, 0.0),
                                                      glue=glue), 20.0), SETTINGS)
    assert done.outcome is Outcome.GLUE_LET_GO
    assert done.force_N == pytest.approx(1.0 * np.pi * 100.0, rel=0.01)
    high = advance(model, model.virgin(), Load(spread(model, Spreader("high", 60.0, 15.0),
                                                      glue=glue), 20.0), SETTINGS)
    assert high.outcome is Outcome.GLUE_LET_GO
    assert high.force_N < 0.8 * done.force_N  # the moment peels


def test_a_held_tension_stands_and_its_books_balance():
    model = panel()
    tool = spread(model, Spreader("held", 60.0, 8.0))
    how = Hold("round-20", 0.0, 0.0, more=((-30.0, 0.0, 10.0), (30.0, 0.0, 10.0)))
    done = hold(model, model.virgin(), Load(tool, 5.0, 900.0), how, FINE)
    assert done.outcome is Outcome.REACHED
    assert done.energy_error_pct < 1.0
    assert done.force_N == pytest.approx(900.0, rel=0.021)
    (standing,) = done.state.standing
    assert np.abs(standing.nodal.sum(axis=0)).max() < 1e-3 * done.force_N
    assert standing.covers(31.0, 5.0) == (30.0, 0.0, 10.0)
    assert standing.covers(0.0, 0.0) is None
    (again,) = standing_from(standing_arrays((standing,)))
    assert again.more == standing.more
    assert again.tension_N == held_force(model, done.state) == pytest.approx(900.0, rel=0.021)
    free = let_down(model, done.state, None, SETTINGS)
    assert free.outcome is Outcome.REACHED
    assert free.energy_error_pct < 1.0
    assert not free.state.standing


def test_what_makes_no_rig_is_refused():
    for wrong in ((1, 40.0, "rocking"), (9, 40.0, "rocking"), (2, 0.0, "rocking"),
                  (2, 40.0, "tied")):
        with pytest.raises(InputError):
            Beam("wrong", *wrong)
    for apart, high in ((0.0, 5.0), (50.0, -1.0)):
        with pytest.raises(InputError):
            Spreader("wrong", apart, high)
    model = panel()
    with pytest.raises(InputError):
        beamed(model, Beam("tight", 2, 18.0))
    with pytest.raises(InputError):
        beamed(model, Beam("wide", 2, 200.0))
    with pytest.raises(InputError):
        spread(model, Spreader("tight", 18.0))
    tool = beamed(model, Beam("pair", 2, 40.0))
    with pytest.raises(TypeError):
        stand(model, tool, np.zeros(model.layout.count + tool.unknowns),
              np.zeros_like(model.patch.control), 0.0, Hold("x", 0.0, 0.0, way="locked"))
