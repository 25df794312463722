"""Newton, load steps and arc length on systems with closed-form answers, no sheet in sight.

The truss: two bars of axial stiffness EA from (-b, 0) and (b, 0) to an apex at (0, h), Green
strain. Energy U = EA L0 (E1^2 + E2^2) / 2 with E = (L^2 - L0^2) / (2 L0^2); for an apex at height z
on the axis the load is P(z) = EA / L0^3 z (h^2 - z^2), greatest at z = h / sqrt(3):
P_limit = 2 EA h^3 / (3 sqrt(3) L0^3). EXACT (derived here; the problem is von Mises 1923: MEMORY).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from simkit.solve.nonlinear.arc import ArcEnding, ArcSettings, trace
from simkit.solve.nonlinear.newton import Ending, NewtonSettings, SingularTangent, newton
from simkit.solve.nonlinear.stepping import StepSettings, step_through

EA, HALF, HEIGHT = 1.0e4, 100.0, 10.0
LENGTH = np.hypot(HALF, HEIGHT)
LIMIT = 2.0 * EA * HEIGHT**3 / (3.0 * np.sqrt(3.0) * LENGTH**3)
UNIT_LOAD = np.array([0.0, 1.0])


@dataclass
class Truss:
    """x = (sideways, downward) displacement of the apex; the load acts downward."""

    factor: float = 0.0
    tangent: np.ndarray = field(default_factory=lambda: np.eye(2))
    commits: list = field(default_factory=list)

    def at(self, factor):
        self.factor = factor
        return _Under(self, factor)

    def forces(self, x):
        force, tangent = np.zeros(2), np.zeros((2, 2))
        for foot in (-HALF, HALF):
            arm = np.array([x[0] - foot, x[1] - HEIGHT])
            strain = (arm @ arm - LENGTH**2) / (2.0 * LENGTH**2)
            force += EA / LENGTH * strain * arm
            tangent += EA / LENGTH * (strain * np.eye(2) + np.outer(arm, arm) / LENGTH**2)
        return force, tangent

    def evaluate(self, x, factor, tangent):
        force, self.tangent = self.forces(x)
        self.scale = max(abs(factor), 1e-6)
        return force - factor * UNIT_LOAD

    def factorise(self):
        values = np.linalg.eigvalsh(self.tangent)
        if np.abs(values).min() < 1e-12:
            raise SingularTangent
        return int((values < 0.0).sum())

    def solve(self, right):
        return np.linalg.solve(self.tangent, right)

    def load(self):
        return UNIT_LOAD

    def weights(self):
        return np.ones(2)

    def force_scale(self):
        return self.scale

    def commit(self, x, factor):
        self.commits.append((x.copy(), factor))


@dataclass
class _Under:
    truss: Truss
    factor: float

    def evaluate(self, x, tangent):
        return self.truss.evaluate(x, self.factor, tangent)

    def correction(self, residual):
        negative = self.truss.factorise()
        return -self.truss.solve(residual), negative

    def force_scale(self):
        return self.truss.scale


def closed_form(down):
    """Load at a downward displacement of the apex."""
    z = HEIGHT - down
    return EA / LENGTH**3 * z * (HEIGHT**2 - z**2)


def past_the_other_side(x, factor):
    return x[1] > 2.2 * HEIGHT


@pytest.mark.parametrize("sign", ["direction", "inertia"])
@pytest.mark.parametrize("load_length", [0.0, 0.01])
def test_arc_length_follows_the_whole_snap(sign, load_length):
    settings = ArcSettings(first=0.2, smallest=1e-3, largest=0.2, sign=sign,
                           load_length=load_length)
    path = trace(Truss(), np.zeros(2), 0.0, settings, past_the_other_side)
    assert path.ending is ArcEnding.STOPPED
    down = np.array([p.x[1] for p in path.points])
    assert np.allclose(path.factors, closed_form(down), rtol=0, atol=1e-7 * LIMIT)
    assert np.all(np.diff(down) > 0.0)
    # the limit points are passed: a parabola through the highest three points meets both the
    # limit load and its place, sqrt(1/3) of the height
    for turn, place in ((1.0, 1.0 - 1.0 / np.sqrt(3.0)), (-1.0, 1.0 + 1.0 / np.sqrt(3.0))):
        inside = np.abs(down - HEIGHT) < 0.95 * HEIGHT
        k = int(np.argmax(np.where(inside, turn * path.factors, -np.inf)))
        a, b, c = np.polyfit(down[k - 1 : k + 2], path.factors[k - 1 : k + 2], 2)
        assert c - b * b / (4 * a) == pytest.approx(turn * LIMIT, rel=1e-4)
        assert -b / (2 * a) == pytest.approx(place * HEIGHT, rel=1e-2)
    # inertia: one negative pivot exactly between the limit points
    for point in path.points[1:]:
        z = HEIGHT - point.x[1]
        if abs(abs(z) - HEIGHT / np.sqrt(3.0)) > 0.05:
            assert point.negative_pivots == (1 if abs(z) < HEIGHT / np.sqrt(3.0) else 0)


def test_prescribed_displacement_gives_the_same_path():
    settings = ArcSettings(first=1.0, smallest=1e-3, largest=1.0)
    path = trace(Truss(), np.zeros(2), 0.0, settings, past_the_other_side, np.array([0.0, 1.0]))
    down = np.array([p.x[1] for p in path.points])
    assert np.allclose(np.diff(down), 1.0, atol=1e-9)
    assert np.allclose(path.factors, closed_form(down), rtol=0, atol=1e-7 * LIMIT)


def test_arc_length_says_when_steps_run_out():
    settings = ArcSettings(first=0.1, smallest=1e-3, largest=0.1, steps=7)
    path = trace(Truss(), np.zeros(2), 0.0, settings, past_the_other_side)
    assert path.ending is ArcEnding.STEPS
    assert len(path.points) == 8


def test_arc_length_gives_up_below_its_shortest_step():
    class Broken(Truss):
        def evaluate(self, x, factor, tangent):
            return None if x[1] > 2.0 else super().evaluate(x, factor, tangent)

    settings = ArcSettings(first=0.5, smallest=0.05, largest=0.5)
    path = trace(Broken(), np.zeros(2), 0.0, settings, past_the_other_side)
    assert path.ending is ArcEnding.NO_CONVERGENCE
    assert path.cuts == 4
    assert 1.9 < path.points[-1].x[1] <= 2.0


def test_load_steps_reach_the_limit_load_and_no_further_on_this_side():
    below = step_through(Truss(), np.zeros(2), [0.5 * LIMIT, 0.999 * LIMIT],
                         StepSettings(first=0.1 * LIMIT))
    assert below.converged
    for step in below.steps:
        assert closed_form(step.x[1]) == pytest.approx(step.factor, rel=1e-5)
        assert step.x[1] < HEIGHT * (1.0 - 1.0 / np.sqrt(3.0))
    above = step_through(Truss(), np.zeros(2), [1.001 * LIMIT],
                         StepSettings(first=0.1 * LIMIT, smallest=1e-4))
    # no balance exists on this side: the walk fails, or lands beyond the snap
    assert not above.converged or above.steps[-1].x[1] > HEIGHT * (1.0 + 1.0 / np.sqrt(3.0))


def test_unloading_returns_to_the_start():
    walk = step_through(Truss(), np.zeros(2), [0.9 * LIMIT, 0.0], StepSettings(first=0.2 * LIMIT))
    assert walk.converged
    assert np.abs(walk.steps[-1].x).max() < 1e-8


def test_steps_are_halved_where_newton_fails_and_grow_again():
    class Short(Truss):
        """Refuses guesses far from what was committed last."""

        def evaluate(self, x, factor, tangent):
            last = self.commits[-1][0] if self.commits else np.zeros(2)
            too_far = abs(x[1] - last[1]) > 0.15 and last[1] < 1.0
            return None if too_far else super().evaluate(x, factor, tangent)

    truss = Short()
    walk = step_through(truss, np.zeros(2), [0.6 * LIMIT], StepSettings(first=0.6 * LIMIT))
    assert walk.converged
    assert walk.cuts >= 2
    assert len(truss.commits) == walk.increments
    sizes = np.diff([0.0] + [factor for _, factor in truss.commits])
    assert sizes.max() > 1.5 * sizes.min()
    assert closed_form(walk.steps[-1].x[1]) == pytest.approx(0.6 * LIMIT, rel=1e-6)


def test_walk_that_cannot_go_on_says_so():
    class Wall(Truss):
        def evaluate(self, x, factor, tangent):
            return None if x[1] > 1.0 else super().evaluate(x, factor, tangent)

    walk = step_through(Wall(), np.zeros(2), [0.1 * LIMIT, 0.9 * LIMIT],
                        StepSettings(first=0.1 * LIMIT, smallest=1e-2))
    assert walk.ending is Ending.INADMISSIBLE
    assert [step.factor for step in walk.steps] == [0.1 * LIMIT]


class Arctan:
    """f(x) = arctan x: plain Newton diverges from |x| > 1.3917 (textbook example)."""

    def evaluate(self, x, tangent):
        self.slope = 1.0 / (1.0 + x**2)
        return np.arctan(x)

    def correction(self, residual):
        return -residual / self.slope, 0

    def force_scale(self):
        return 1.0


def test_line_search_saves_newton():
    plain = newton(Arctan(), np.array([3.0]), NewtonSettings(shortest_step=1.0, iterations=6))
    assert not plain.converged
    searched = newton(Arctan(), np.array([3.0]), NewtonSettings(iterations=30))
    assert searched.converged
    assert abs(searched.x[0]) < 1e-6


def test_newton_converges_quadratically():
    truss = Truss()
    result = newton(truss.at(0.8 * LIMIT), np.zeros(2),
                    NewtonSettings(force_tolerance=1e-13, work_tolerance=1e-13))
    assert result.converged
    tail = np.array([r for r in result.history if 1e-13 < r < 1e-1])
    # order from three successive residuals
    order = np.log(tail[-1] / tail[-2]) / np.log(tail[-2] / tail[-3])
    assert order > 1.8
