"""Cohesive glue and tabs that bend, against closed forms. Truth: EXACT unless a test says else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from scipy.sparse import csr_array
from scipy.special import jv, yv

from simkit.material.hardening import Sheet, Swift
from simkit.mechanics.contact.attach import glue_tab
from simkit.mechanics.contact.bending import tab_bending
from simkit.mechanics.contact.cohesive import FN, KN, KS, ON, OS, point_laws, separate
from simkit.mechanics.model import build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import FREE, HELD, SIDES, Edge
from simkit.panel.surface import Curvature, disc_patch, rectangle_patch
from simkit.tool.catalogue import find_glue
from simkit.tool.glue import Glue
from simkit.tool.tabs import POISSON, Tab

STEPS = AdvanceSettings(first_mm=0.01, largest_mm=0.02)
UP = np.array([0.0, 0.0, 1.0])


def elastic(nu: float = 0.3) -> Sheet:
    return Sheet("elastic", 210000.0, nu, Swift(1e6, 0.5, 0.2))


def brittle(**other) -> Glue:
    numbers = {"tension_MPa": 4.0, "shear_MPa": 3.0, "tension_energy_N_per_mm": 0.05,
               "shear_energy_N_per_mm": 0.09, "modulus_MPa": 100.0, "layer_mm": 0.1}
    return Glue("made up", **(numbers | other))


@pytest.mark.parametrize("angle", [0.0, 0.4, 1.0, np.pi / 2])
def test_work_to_part_meets_the_energy_criterion(angle):
    """Exact: along a path of constant mix G_n/G_nc + G_s/G_sc = 1, in pure tension and shear the
    fracture energy itself."""
    glue = brittle()
    law = point_laws(glue, np.array([0.1]))[0]
    reach = np.linspace(0.0, 1.2 * max(law[FN] * law[ON], 2 * 0.09 / 3.0), 20001)
    normal, slip = reach * np.cos(angle), reach * np.sin(angle)
    damage, tractions = 0.0, []
    for gn, gs in zip(normal, slip, strict=True):
        damage, _, _ = separate(law, gn, gs, damage)
        tractions.append(((1 - damage) * law[KN] * gn, (1 - damage) * law[KS] * gs))
    assert damage == 1.0
    t = np.array(tractions)
    spent = (np.trapezoid(t[:, 0], normal) / glue.tension_energy_N_per_mm
             + np.trapezoid(t[:, 1], slip) / glue.shear_energy_N_per_mm)
    assert spent == pytest.approx(1.0, rel=1e-3)
    largest = np.hypot(t[:, 0] / glue.tension_MPa, t[:, 1] / glue.shear_MPa).max()
    assert largest == pytest.approx(1.0, rel=1e-3)


def test_damage_stays_and_compression_feels_none():
    law = point_laws(brittle(), np.array([0.1]))[0]
    worn, _, _ = separate(law, 0.5 * law[ON] * law[FN], 0.0, 0.0)
    assert 0.0 < worn < 1.0
    assert separate(law, 0.1 * law[ON], 0.0, worn)[0] == worn
    assert separate(law, -5.0 * law[ON], 0.0, 0.0)[0] == 0.0


def test_thick_layer_parts_by_its_energy():
    """Exact: strength sqrt(2 G K) at most, so that no more than G is stored before it softens."""
    law = point_laws(brittle(), np.array([0.1, 5.0]))
    strength, stored = law[:, ON] * law[:, KN], 0.5 * law[:, KN] * law[:, ON] ** 2
    assert strength[0] == pytest.approx(4.0)
    assert strength[1] < 4.0
    assert stored[1] < 0.05 == pytest.approx(0.5 * strength[1] * law[1, FN] * law[1, ON])
    assert (law[:, OS] > 0.0).all()


def flat_panel(size: float = 60.0, element: float = 5.0, thickness: float = 1.0, nu: float = 0.3):
    patch = rectangle_patch((-size, size), (-size, size), Curvature(np.inf, np.inf), element,
                            element)
    return build_model(patch, elastic(nu), thickness, dict.fromkeys(SIDES, HELD), 3)


@pytest.mark.parametrize("tab", [
    Tab("round", "round", 24.0, 24.0), Tab("plate", "round", 24.0, 24.0, 0.0, 4.0, 2500.0),
    Tab("strip", "strip", 40.0, 16.0, 0.0, 4.0, 2500.0)])
@pytest.mark.parametrize("mixed", [False, True])
def test_forces_are_slopes_of_energy_and_tangent_is_slope_of_forces(tab, mixed):
    """Exact: what a small step does to the energy held and spent is the work of the forces."""
    model = flat_panel()
    state = model.virgin()
    tool = glue_tab(model, state, tab, brittle(shear_energy_N_per_mm=0.5), np.zeros(3), UP)
    rng = np.random.default_rng(3)
    x = model.patch.control + 1e-3 * rng.standard_normal(model.patch.control.shape)
    own = 2e-3 * rng.standard_normal(tool.unknowns)
    # no slip at first: where both modes soften the solver's symmetric tangent is not the slope
    travel, flat = 0.022, np.ones(3) if mixed else UP
    x = model.patch.control + (x - model.patch.control) * flat
    if not mixed:
        own[[0, 1]] = 0.0
        if tab.rigid:
            own[4] = 0.0

    tool = tool.at_equilibrium(model, x, own, travel)

    def feel(x, own):
        force = np.zeros_like(x)
        read = tool.add(model, x, own, travel, force, np.empty(1), False)
        return force, read

    base, read = feel(x, own)
    assert read.damage > 0.0
    small = 1e-7
    dx = rng.standard_normal(x.shape) * flat
    dy = rng.standard_normal(own.size)
    if not mixed:
        dy[[0, 1]] = 0.0
        if tab.rigid:
            dy[4] = 0.0
    for way in (1.0, -1.0):
        there, read_there = feel(x + way * small * dx, own + way * small * dy)
        change = (read_there.held_Nmm - read.held_Nmm) / (way * small)
        mean = 0.5 * ((base + there) * dx).sum() + 0.5 * (read.own + read_there.own) @ dy
        assert change == pytest.approx(mean, rel=1e-5)
    if mixed:
        return
    tool = replace(tool, damage=0.0 * tool.damage, spent_Nmm=0.0)
    up, read_up = feel(x + small * dx, own + small * dy)
    down, read_down = feel(x - small * dx, own - small * dy)
    data = np.zeros(model.layout.indices.size)
    tool.add(model, x, own, travel, np.zeros_like(x), data, True)
    columns, stiff = tool.border(model)
    lay = model.layout
    free = lay.gather(dx)
    upper = csr_array((data, lay.indices, lay.indptr), shape=(lay.count, lay.count))
    both = upper @ free + upper.T @ free - upper.diagonal() * free
    assert both + columns @ dy == pytest.approx(
        lay.gather(up - down) / (2 * small), rel=1e-4, abs=1e-3)
    assert columns.T @ free + stiff @ dy == pytest.approx(
        (read_up.own - read_down.own) / (2 * small), rel=1e-4, abs=1e-3)


def test_round_plate_bends_as_plate_theory_says():
    """Exact: even load on a round plate clamped at a stem and free at its rim. With the shape among
    the tab's own, the Ritz answer is the solution itself; the Kelvin form of the equation
    D w'''' = q is integrated here by the shape's own moments: the deflection of a plate on a
    vanishing stem is q a^4 (7 + 3 nu) / (64 D (1 + nu))."""
    a, thickness, modulus = 20.0, 3.0, 2500.0
    tab = Tab("plate", "round", 2 * a, 2 * a, 0.0, thickness, modulus, stem_mm=1e-3)
    bending = tab_bending(tab)
    r = (np.arange(4000) + 0.5) / 4000 * a
    shapes = bending.shapes(r, np.zeros_like(r))
    load = (shapes[:, :2] * (2 * np.pi * r * a / 4000)[:, None]).sum(axis=0)
    rim = np.linalg.solve(bending.stiffness[:2, :2], load).sum()
    plate = modulus * thickness**3 / (12 * (1 - POISSON**2))
    exact = a**4 * (7 + 3 * POISSON) / (64 * plate * (1 + POISSON))
    assert rim == pytest.approx(exact, rel=1e-3)


def test_strip_bends_as_a_cantilever():
    """Exact: q L^4 / (8 E' I) at the end of a cantilever under an even load (cylindrical bending
    is stiffer by the plate's 1 - nu^2 where the across shape is held; a narrow strip is free)."""
    tab = Tab("strip", "strip", 100.0, 4.0, 0.0, 3.0, 2500.0, stem_mm=1.0)
    bending = tab_bending(tab)
    x = (np.arange(2000) + 0.5) / 2000 * 100.0 - 50.0
    shapes = bending.shapes(x, np.full_like(x, 1.9))
    flat = bending.shapes(x, np.zeros_like(x))
    load = 0.5 * (shapes + flat).sum(axis=0) * 4.0 * 100.0 / 2000
    end = np.linalg.solve(bending.stiffness[:2, :2], load[:2]).sum()
    wide = 2500.0 * 27.0 / 12.0 / (1 - POISSON**2)
    assert end == pytest.approx(49.5**4 / (8 * wide), rel=5e-3)


HALF, ARM, WIDE, THICK = 100.0, 40.0, 4.0, 4.0


def peeled_strip(glue: Glue, element: float, travel: float):
    """A strip on rollers at both ends, a rigid tab glued on its middle and lifted: two double
    cantilever beams, each with one rigid half. Force on one arm and its end's slope."""
    patch = rectangle_patch((-HALF, HALF), (0.0, WIDE), Curvature(np.inf, np.inf), element, WIDE)
    edges = {"left": Edge((True, False, True)), "right": Edge((False, False, True)),
             "bottom": Edge((False, True, False)), "top": FREE}
    model = build_model(patch, elastic(0.0), THICK, edges, 3)
    tab = Tab("long", "strip", 2 * (HALF - ARM), WIDE)
    at = np.array([0.0, 0.5 * WIDE, 0.0])
    tool = glue_tab(model, model.virgin(), tab, glue, at, UP)
    done = advance(model, model.virgin(), Load(tool, travel), STEPS)
    assert done.outcome in (Outcome.TRAVEL_LIMIT, Outcome.GLUE_LET_GO), done.reason
    # the end slope of a spline is that of its first two control points
    grid = np.arange(patch.control.shape[0]).reshape(patch.shape)[:2, 0]
    x, w = patch.control[grid, 0], done.loaded.displacement[grid, 2]
    return 0.5 * done.path[-1].force_N, (w[1] - w[0]) / (x[1] - x[0]), done


@pytest.mark.parametrize("element", [4.0, 2.0])
def test_double_cantilever_beam(element):
    """Exact: before it softens the compliance of an arm a on springs, (a^3/3 + a^2/l + a/l^2 +
    1/(2 l^3))/EI with l^4 = b K/(4 EI) (Kanninen 1973, derived again); while it peels, on any
    layer, J = P theta/b is the fracture energy (Paris and Paris 1988, from memory)."""
    glue = brittle()
    stiff = 210000.0 * WIDE * THICK**3 / 12.0
    wave = (WIDE * glue.modulus_MPa / glue.layer_mm / (4.0 * stiff)) ** 0.25
    compliance = (ARM**3 / 3 + ARM**2 / wave + ARM / wave**2 + 0.5 / wave**3) / stiff
    force, _, _ = peeled_strip(glue, element, 0.03)
    assert force == pytest.approx(0.03 / compliance, rel=0.01)
    force, slope, done = peeled_strip(glue, element, 0.4)
    assert 0.1 < done.path[-1].parted < 0.25
    assert force * slope / WIDE == pytest.approx(glue.tension_energy_N_per_mm, rel=0.02)
    assert max(p.force_N for p in done.path) == pytest.approx(51.0, rel=0.01)  # both meshes alike


def kelvin_plate(a: float, s: float, plate: float, bed: float) -> float:
    """Force per mm of lift of a plate clamped at radius s and free at a, glued to an even bed:
    D (w'' + w'/r)'' ... + K w = 0 by its exact solutions J0, Y0, I0, K0 of complex argument."""
    wave = (bed / plate) ** 0.25 * np.exp(0.25j * np.pi)

    def rows(r):
        z = wave * r
        w = [jv(0, z), yv(0, z)]
        dw = [-wave * jv(1, z), -wave * yv(1, z)]
        lap = [-wave**2 * w[0], -wave**2 * w[1]]
        dlap = [-wave**2 * dw[0], -wave**2 * dw[1]]
        parts = [[f.real, f.imag] for group in (w, dw, lap, dlap) for f in group]
        return np.array(parts).reshape(4, 4)

    at_s, at_a = rows(s), rows(a)
    moment = at_a[2] - (1.0 - POISSON) * at_a[1] / a
    # the layer opens by the lift at the stem, w(s) = 1, w'(s) = 0; no moment or shear at the rim
    c = np.linalg.solve(np.stack([at_s[0], at_s[1], moment, at_a[3]]), [1.0, 0.0, 0.0, 0.0])
    r, weight = leggauss(60)
    r, weight = 0.5 * (a - s) * r + 0.5 * (a + s), 0.5 * (a - s) * weight
    opening = np.array([rows(q)[0] @ c for q in r])
    return bed * (np.pi * s**2 + 2 * np.pi * (weight * r * opening).sum())


def stiff_bed(tab: Tab, glue: Glue, element: float = 2.0):
    """A tab on a plate too thick to bend, drawn to a travel: forces by travel."""
    model = flat_panel(36.0, element, 60.0)
    return model, glue_tab(model, model.virgin(), tab, glue, np.zeros(3), UP)


@pytest.mark.parametrize("thickness", [4.0, 6.0])
def test_disc_with_a_compliant_rim(thickness):
    """Exact: lift of a plate on an even bed, rigid at its stem; the Ritz tab within 2 %
    (a plate of 2 mm, nearly six bending lengths wide, comes out 8 % too stiff)."""
    tab = Tab("plate", "round", 40.0, 40.0, 0.0, thickness, 2500.0, stem_mm=10.0)
    glue = brittle(tension_MPa=2.0, shear_MPa=1.0, tension_energy_N_per_mm=2.0,
                   shear_energy_N_per_mm=3.0, modulus_MPa=20.0, layer_mm=0.5)
    model, tool = stiff_bed(tab, glue)
    done = advance(model, model.virgin(), Load(tool, 0.01), STEPS)
    plate = 2500.0 * thickness**3 / (12.0 * (1.0 - POISSON**2))
    exact = kelvin_plate(20.0, 5.0, plate, 40.0)
    rigid = 40.0 * np.pi * 400.0
    assert exact < 0.97 * rigid
    assert done.path[-1].force_N / 0.01 == pytest.approx(exact, rel=0.02)


def test_rigid_tab_on_a_bed_that_does_not_give_holds_area_times_strength():
    """Exact: even opening, so the strength acts on the whole area at once."""
    tab, glue = Tab("rigid", "round", 16.0, 16.0), find_glue("standard-hot-melt")
    model, tool = stiff_bed(tab, glue)
    done = advance(model, model.virgin(), Load(tool, 3.0), STEPS)
    assert done.outcome is Outcome.GLUE_LET_GO
    assert done.force_N == pytest.approx(2.0 * np.pi * 64.0, rel=0.02)


@pytest.mark.parametrize(("bed", "fine"), [(1e4, 2.5), (1e5, 1.5), (1e7, 1.5)])
def test_rigid_disc_on_a_clamped_round_plate(bed, fine):
    """Exact: a plate clamped at its rim b, lifted by a rigid disc a through an even bed K: inside
    D lap lap u + K u = 0 for the opening u (J0 of complex argument), outside 1, ln r, r^2,
    r^2 ln r, with deflection, slope, curvature and shear continuous. K = 1e7, whose bending length
    of 0.3 mm no element of 1.5 mm resolves, is held against the rigid inclusion (slope 0 at a),
    which the even bed itself approaches only as K^(-1/4): 1.2 % away."""
    a, b, thickness, lift = 20.0, 100.0, 1.0, 0.002
    patch = disc_patch(b, Curvature(np.inf, np.inf), fine, 8.0, 2, 26.0)
    model = build_model(patch, elastic(), thickness, dict.fromkeys(SIDES, HELD), 3)
    glue = Glue("hard", 1e4, 1e4, 1e5, 1e5, 0.02 * bed, 0.02)
    tool = glue_tab(model, model.virgin(), Tab("disc", "round", 2 * a, 2 * a), glue, np.zeros(3),
                    UP)
    done = advance(model, model.virgin(), Load(tool, lift), STEPS)
    plate = 210000.0 * thickness**3 / (12.0 * 0.91)
    wave = (bed / plate) ** 0.25 * np.exp(0.25j * np.pi)
    shrink = np.exp(-abs((wave * a).imag))  # keeps large values in range
    j0, j1 = jv(0, wave * a) * shrink, jv(1, wave * a) * shrink
    inner = np.array([[f.real, f.imag] for f in (j0, -wave * j1, -wave**2 * j0, wave**3 * j1)])

    def outer(r):
        log = np.log(r)
        return np.array([[1, log, r**2, r**2 * log], [0, 1 / r, 2 * r, 2 * r * log + r],
                         [0, 0, 4, 4 * log + 4], [0, 0, 0, 4 / r]])

    system = np.zeros((6, 6))  # w = lift - u inside
    system[:4, :2], system[:4, 2:], system[4:, 2:] = inner, outer(a), outer(b)[:2]
    constants = np.linalg.solve(system, [1.0, 0, 0, 0, 0, 0])
    force = 2 * np.pi * plate * 4.0 * constants[5]  # 2 pi r times the shear
    if bed < 1e6:
        assert done.path[-1].force_N == pytest.approx(lift * abs(force), rel=0.01)
    else:
        k = 1.0 / (4.0 * np.pi * plate)
        c, d = np.linalg.solve([[a, 1 / a], [b, 1 / b]], [-k * a * np.log(a), -k * b * np.log(b)])

        def way(r):
            return k * r**2 * (0.5 * np.log(r) - 0.25) + 0.5 * c * r**2 + d * np.log(r)

        assert done.path[-1].force_N == pytest.approx(lift / abs(way(b) - way(a)), rel=0.01)


@pytest.mark.parametrize("diameter", [16.0, 40.0])
def test_tab_on_a_stiff_panel_holds_between_rim_and_area(diameter):
    """Exact bounds: more than where its rim begins to soften, less than area times strength; and
    the same on elements half as large."""
    tab, glue = Tab("rigid", "round", diameter, diameter), find_glue("standard-hot-melt")
    peaks = []
    for element in (5.0, 2.5):
        model = flat_panel(60.0, element, 3.0)
        tool = glue_tab(model, model.virgin(), tab, glue, np.zeros(3), UP)
        done = advance(model, model.virgin(), Load(tool, 6.0),
                       AdvanceSettings(first_mm=0.02, largest_mm=0.1))
        assert done.outcome is Outcome.GLUE_LET_GO
        whole = max(p.force_N for p in done.path if p.damage == 0.0)
        assert 1.05 * whole < done.force_N < glue.holds_N(tab.area_mm2)
        peaks.append(done.force_N)
    assert peaks[0] == pytest.approx(peaks[1], rel=0.02)
