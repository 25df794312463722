"""Held tools. Truth: EXACT identities of a potential: what is held and let down is what is pulled;
a force of nothing changes nothing; tangent and force are derivatives; energy is kept."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.contact.holding import Hold
from simkit.mechanics.model import Model, State, build_model, held_force, nodal_of
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.standing import WAYS, Standing, standing_arrays, standing_from
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.holding import hold, let_down
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load, Probe
from simkit.panel.edges import EDGES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.solve.nonlinear.newton import NewtonSettings
from simkit.tool.bodies import ball
from simkit.tool.catalogue import find_glue, find_tab

STRONG = replace(find_glue("standard-hot-melt"), tension_MPa=50.0, shear_MPa=50.0,
                 tension_energy_N_per_mm=500.0, shear_energy_N_per_mm=500.0)
FINE = AdvanceSettings(first_mm=0.1, largest_mm=0.4, energy_error_pct=0.95)
PULLING = replace(FINE, passing=NewtonSettings(force_tolerance=3e-3, work_tolerance=3e-4))
"""As :mod:`simkit.repair.operations` pulls."""


@dataclass(frozen=True)
class Dented:
    """A small panel with a dent."""

    model: Model
    state: State
    middle: Probe

    def place(self, state: State, x_mm: float) -> np.ndarray:
        """Place of the sheet at (x, 0)."""
        patch = self.model.patch
        u, v, _ = patch.locate(np.array([x_mm]), np.array([0.0]))
        return (patch.evaluation(u, v) @ (patch.control + state.displacement))[0]

    def probe(self, x_mm: float) -> Probe:
        """Height at (x, 0)."""
        patch = self.model.patch
        u, v, _ = patch.locate(np.array([x_mm]), np.array([0.0]))
        row = patch.evaluation(u, v)
        return Probe(row.indices.astype(np.int64),
                     row.data[:, None] * np.array([[0.0, 0.0, 1.0]]))

    def pull(self, force_N: float) -> Load:
        """A pull on the middle by a tab whose glue never lets go."""
        tab = glue_tab(self.model, self.state, find_tab("round-25"), STRONG,
                       self.place(self.state, 0.0), UP)
        return Load(tab, 20.0, force_N)

    def tap(self, state: State, x_mm: float, by_mm: float, **more: bool) -> Advance:
        """A tap-down by a ball until the place is lower by so much."""
        probe = self.probe(x_mm)
        tip = set_tip(self.model, state, ball(12.0), self.place(state, x_mm), -UP, 12.0)
        goal = probe.read(state.displacement) - by_mm
        return advance(self.model, state, Load(tip, 12.0, probe=probe, goal_mm=goal, **more),
                       replace(FINE, largest_mm=0.25))


UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(scope="module")
def dented() -> Dented:
    patch = rectangle_patch((-100.0, 100.0), (-80.0, 80.0), Curvature(800.0, 600.0), 10.0, 25.0, 2,
                            Window(-45.0, 45.0, -45.0, 45.0))
    model = build_model(patch, load_grade("DC04").sheet(), 0.8,
                        dict.fromkeys(("left", "right", "bottom", "top"), EDGES["held"]), 3)
    plain = Dented(model, model.virgin(), Probe(np.zeros(1, dtype=np.int64), np.zeros((1, 3))))
    tip = set_tip(model, plain.state, ball(25.0), plain.place(plain.state, 0.0), -UP, 12.0)
    done = advance(model, plain.state, Load(tip, 12.0, probe=plain.probe(0.0), goal_mm=-2.0),
                   AdvanceSettings(first_mm=0.2, largest_mm=0.5))
    assert done.outcome is Outcome.REACHED
    return Dented(model, done.state, plain.probe(0.0))


def height(dented: Dented, state: State) -> float:
    return dented.middle.read(state.displacement)


@pytest.fixture(scope="module")
def held(dented: Dented) -> dict[str, Advance]:
    """The same pull held in every way."""
    return {way: hold(dented.model, dented.state, dented.pull(300.0),
                      Hold("tab", 0.0, 0.0, 12.5, way, 200.0), PULLING) for way in WAYS}


@pytest.mark.parametrize("way", WAYS)
def test_hold_and_let_down_are_the_pull(dented: Dented, held: dict[str, Advance], way: str):
    pulled = advance(dented.model, dented.state, dented.pull(300.0), PULLING)
    up = held[way]
    down = let_down(dented.model, up.state, None, PULLING)
    gap = np.abs(down.state.displacement - pulled.state.displacement).max()
    assert gap < 1e-5
    assert height(dented, down.state) - height(dented, dented.state) > 0.3
    assert up.work + down.work == pytest.approx(pulled.work, rel=1e-3)
    assert up.plastic + down.plastic == pytest.approx(pulled.plastic, rel=1e-3)
    assert down.state.standing == ()
    for done in (up, down):
        assert done.energy_error_pct < 1.0


def test_the_force_held_is_the_force_pulled(dented: Dented, held: dict[str, Advance]):
    for way in WAYS:
        assert held[way].outcome is Outcome.REACHED
        assert held_force(dented.model, held[way].state) == pytest.approx(
            held[way].path[-1].force_N, rel=2e-3)
        assert height(dented, held[way].state) > height(dented, dented.state) + 0.5


def test_a_force_of_nothing_changes_no_bit(dented: Dented):
    nothing = Standing("nothing", np.zeros_like(dented.state.displacement), 0.0, 0.0)
    with_it = dented.tap(replace(dented.state, standing=(nothing,)), 30.0, 0.3)
    without = dented.tap(dented.state, 30.0, 0.3)
    assert np.array_equal(with_it.state.displacement, without.state.displacement)
    assert np.array_equal(with_it.state.points, without.state.points)
    assert (with_it.work, with_it.stored, with_it.standing) == (without.work, without.stored, 0.0)


@pytest.mark.parametrize("way", WAYS)
def test_books_of_a_tap_under_a_held_pull(dented: Dented, held: dict[str, Advance], way: str):
    before = held[way].state
    done = dented.tap(before, 30.0, 0.3)
    assert done.outcome is Outcome.REACHED
    assert done.energy_error_pct < 1.0
    # without the held tool's share they would be out by far more
    assert abs(done.standing) > 0.02 * done.plastic or way == "locked"
    force = held_force(dented.model, done.state)
    if way == "following":
        assert np.array_equal(done.state.standing[0].nodal, before.standing[0].nodal)
        # a dead force: work is force times motion
        moved = done.state.displacement - before.displacement
        assert done.standing == pytest.approx(
            float((before.standing[0].nodal * moved).sum()), rel=1e-9)
    else:
        assert force < held_force(dented.model, before)


def test_the_goal_of_a_tap_may_mean_all_released(dented: Dented, held: dict[str, Advance]):
    up = held["following"].state
    probe = dented.probe(30.0)
    start = probe.read(up.displacement)
    for all_off in (False, True):
        done = dented.tap(up, 30.0, 0.25, everything_off=all_off)
        after = let_down(dented.model, done.state, None, FINE).state if all_off else done.state
        assert done.outcome is Outcome.REACHED
        assert len(done.state.standing) == 1
        assert probe.read(after.displacement) == pytest.approx(start - 0.25, abs=0.03)


@pytest.mark.parametrize("way", WAYS)
def test_forces_are_derivatives_of_the_potential(dented: Dented, held: dict[str, Advance],
                                                 way: str):
    model, state = dented.model, held[way].state
    rng = np.random.default_rng(3)
    aside = 1e-4 * rng.standard_normal(state.displacement.shape)
    one = state.standing[0]

    def potential(displacement: np.ndarray) -> tuple[float, np.ndarray]:
        force = np.zeros_like(displacement)
        return one.add(model.patch.control, displacement, model.element_points,
                       model.layout.places, force, np.empty(1), False), force

    ahead, _ = potential(state.displacement + aside)
    behind, _ = potential(state.displacement - aside)
    _, force = potential(state.displacement)
    assert ahead - behind == pytest.approx(2.0 * float((force * aside).sum()), rel=1e-7)
    assert np.allclose(nodal_of(model, state), -force)


def test_a_held_tip_only_presses(dented: Dented):
    """A lever from behind, locked: pushed further out, the sheet leaves it."""
    model, state = dented.model, dented.state
    tip = set_tip(model, state, ball(12.0), dented.place(state, 0.0), UP, 12.0)
    up = hold(model, state, Load(tip, 12.0, force_N=200.0), Hold("ball", 0.0, 0.0, way="locked"),
              FINE)
    assert up.outcome is Outcome.REACHED
    assert held_force(model, up.state) == pytest.approx(up.path[-1].force_N, rel=0.02)
    lifted = up.state.displacement.copy()
    lifted[:, 2] += 1.0
    assert held_force(model, replace(up.state, displacement=lifted)) == 0.0
    pushed = advance(model, state, Load(tip, 12.0, force_N=200.0), FINE)
    down = let_down(model, up.state, ("ball",), FINE)
    assert np.abs(down.state.displacement - pushed.state.displacement).max() < 2e-4


def test_glue_that_lets_go_holds_nothing(dented: Dented):
    weak = replace(STRONG, tension_MPa=0.3, tension_energy_N_per_mm=0.05)
    tab = glue_tab(dented.model, dented.state, find_tab("round-25"), weak,
                   dented.place(dented.state, 0.0), UP)
    done = hold(dented.model, dented.state, Load(tab, 20.0, 300.0), Hold("tab", 0.0, 0.0), PULLING)
    assert done.outcome is Outcome.GLUE_LET_GO
    assert done.state.standing == ()


def test_a_hold_by_height(dented: Dented):
    goal = height(dented, dented.state) + 0.7
    load = replace(dented.pull(5000.0), probe=dented.middle, height_mm=goal)
    done = hold(dented.model, dented.state, load, Hold("tab", 0.0, 0.0), PULLING)
    assert done.outcome is Outcome.REACHED
    assert height(dented, done.state) == pytest.approx(goal, abs=0.02)


def test_standing_loads_survive_a_file(held: dict[str, Advance], tmp_path):
    standing = tuple(held[way].state.standing[0] for way in WAYS)
    np.savez(tmp_path / "state.npz", **standing_arrays(standing))
    with np.load(tmp_path / "state.npz") as stored:
        back = standing_from(stored)
    for one, other in zip(standing, back, strict=True):
        assert (one.name, one.way, one.radius_mm) == (other.name, other.way, other.radius_mm)
        assert np.array_equal(one.nodal, other.nodal)
        assert (one.bed is None) == (other.bed is None)
        if one.bed is not None and other.bed is not None:
            assert np.array_equal(one.bed.stiffness, other.bed.stiffness)
    assert standing_from({}) == ()
