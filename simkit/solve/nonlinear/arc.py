"""Arc-length continuation: equilibrium paths through limit and turning points.

Unknowns are x and the load factor l. A step from (x0, l0) ends where

    residual(x, l) = 0   and   |x - x0|_W^2 + c^2 (l - l0)^2 = s^2   (sphere; c = 0: cylinder)

or, with a control vector, where control . (x - x0) = s (a prescribed displacement). Newton's
method solves both equations together; the second is eliminated with two solutions of one
factorisation, of the residual and of the load (Riks 1979; Crisfield 1981; Ramm 1981: all MEMORY).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from simkit.solve.nonlinear.newton import SingularTangent

Array = NDArray[np.float64]


class Arched(Protocol):
    """A system whose load factor is one of the unknowns."""

    def evaluate(self, x: Array, factor: float, tangent: bool) -> Array | None:
        """Residual at x and the factor, or None if x is inadmissible; keeps the tangent."""

    def factorise(self) -> int | None:
        """Factorise the kept tangent; return its number of negative pivots, None if unknown.

        Raises SingularTangent.
        """

    def solve(self, right: Array) -> Array:
        """Solve K y = right, (n,) or (n, m), with the tangent factorised last."""

    def load(self) -> Array:
        """Minus the derivative of the residual by the factor, at the point evaluated last."""

    def weights(self) -> Array:
        """Positive weights W of the unknowns in the norm of a step, (n,)."""

    def force_scale(self) -> float:
        """Force with which the norm of the residual is compared."""

    def commit(self, x: Array, factor: float) -> None:
        """Accept the equilibrium evaluated last as the state from which the next step begins."""


class ArcEnding(Enum):
    """How a path ended."""

    STOPPED = "the stopping condition was met"
    STEPS = "the number of steps allowed was used up"
    NO_CONVERGENCE = "no equilibrium found with the shortest step"


@dataclass(frozen=True)
class ArcSettings:
    """Step control and criteria.

    Attributes
    ----------
    first, smallest, largest : arc lengths, in the unit of the weighted norm of x (or of the
        control).
    load_length : c, length by which a unit of load factor counts; 0 is the cylindrical method.
    sign : direction of the first guess of a step: along the step before ("direction"), or towards
        rising load while the number of negative pivots is even ("inertia").
    steps : largest number of steps.
    iterations, wanted : largest and desired number of Newton iterations in a step.
    force_tolerance : residual (Euclidean norm) over the force scale.
    """

    first: float
    smallest: float
    largest: float
    load_length: float = 0.0
    sign: Literal["direction", "inertia"] = "direction"
    steps: int = 200
    iterations: int = 12
    wanted: int = 4
    force_tolerance: float = 1e-8


@dataclass(frozen=True)
class ArcPoint:
    """An equilibrium on the path: load factor, x, iterations, negative pivots of its tangent."""

    factor: float
    x: Array
    iterations: int
    negative_pivots: int | None


@dataclass(frozen=True)
class ArcPath:
    """Points of a path (the first is the start), how it ended, and how often a step was halved."""

    points: tuple[ArcPoint, ...]
    ending: ArcEnding
    cuts: int

    @property
    def factors(self) -> Array:
        """Load factors, (points,)."""
        return np.array([p.factor for p in self.points])


Stop = Callable[[Array, float], bool]
"""Takes x and the factor of an equilibrium; True ends the path there."""


def trace(problem: Arched, x: Array, factor: float, settings: ArcSettings, stop: Stop,
          control: Array | None = None) -> ArcPath:
    """Follow the equilibrium path from an equilibrium (x, factor), first towards a rising factor.

    With ``control`` (n,), steps are measured by control . x and go in the direction in which it
    rises.
    """
    tracer = _Tracer(problem, settings, control)
    here = ArcPoint(factor, x, 0, None)
    points, length, cuts = [here], settings.first, 0
    tangent = tracer.tangent(here)
    while len(points) <= settings.steps:
        if tangent is None:
            return ArcPath(tuple(points), ArcEnding.NO_CONVERGENCE, cuts)
        found = tracer.step(here, tangent, length)
        if found is None:
            cuts += 1
            length *= 0.5
            if length < settings.smallest:
                return ArcPath(tuple(points), ArcEnding.NO_CONVERGENCE, cuts)
            tangent = tracer.tangent(here)
            continue
        problem.commit(found.x, found.factor)
        tracer.moved = (found.x - here.x, found.factor - here.factor)
        tangent = tracer.tangent(found)
        here = ArcPoint(found.factor, found.x, found.iterations, tracer.negative)
        points.append(here)
        if stop(here.x, here.factor):
            return ArcPath(tuple(points), ArcEnding.STOPPED, cuts)
        # the next length follows the number of iterations: Ramm 1981 (MEMORY)
        ease = np.sqrt(settings.wanted / max(found.iterations, 1))
        length = min(length * float(np.clip(ease, 0.5, 2.0)), settings.largest)
    return ArcPath(tuple(points), ArcEnding.STEPS, cuts)


class _Tracer:
    """Predictor and corrector of one path."""

    def __init__(self, problem: Arched, settings: ArcSettings, control: Array | None) -> None:
        self.problem, self.settings, self.control = problem, settings, control
        self.weights = problem.weights()
        self.moved: tuple[Array, float] | None = None
        self.negative: int | None = None

    def tangent(self, here: ArcPoint) -> tuple[Array, float] | None:
        """Unit step (dx, dl) along the path at an equilibrium, or None where there is none."""
        problem = self.problem
        if problem.evaluate(here.x, here.factor, True) is None:
            return None
        try:
            self.negative = problem.factorise()
            along = problem.solve(problem.load())
        except SingularTangent:
            return None
        if self.control is not None:
            size = float(self.control @ along)
            return (along / size, 1.0 / size) if size != 0.0 else None
        size = np.sqrt(float(along @ (self.weights * along)) + self.settings.load_length**2)
        sign = self._sign(along)
        return sign * along / size, sign / size

    def _sign(self, along: Array) -> float:
        """Sign of the predictor, see ``ArcSettings.sign``; K along = load."""
        if self.settings.sign == "inertia" and self.negative is not None:
            return -1.0 if self.negative % 2 else 1.0
        if self.moved is None:
            return 1.0
        dx, dl = self.moved
        with_it = float(dx @ (self.weights * along)) + self.settings.load_length**2 * dl
        return 1.0 if with_it >= 0.0 else -1.0

    def _constraint(self, dx: Array, dl: float, length: float) -> tuple[float, Array, float]:
        """Value of the step condition and its derivatives by x and the factor."""
        if self.control is not None:
            return float(self.control @ dx) - length, self.control, 0.0
        weighted = self.weights * dx
        c2 = self.settings.load_length**2
        value = float(dx @ weighted) + c2 * dl * dl - length**2
        return value, 2.0 * weighted, 2.0 * c2 * dl

    def step(self, here: ArcPoint, tangent: tuple[Array, float], length: float) -> ArcPoint | None:
        """Newton from the tangent's guess to the equilibrium at that distance; None if it fails."""
        problem, settings = self.problem, self.settings
        dx, dl = length * tangent[0], length * tangent[1]
        unit = length if self.control is not None else length**2
        for iteration in range(1, settings.iterations + 1):
            residual = problem.evaluate(here.x + dx, here.factor + dl, True)
            if residual is None or not np.isfinite(residual).all():
                return None
            gap, by_x, by_l = self._constraint(dx, dl, length)
            small = float(np.linalg.norm(residual)) <= (
                settings.force_tolerance * problem.force_scale())
            if small and abs(gap) <= 1e-8 * unit:
                return ArcPoint(here.factor + dl, here.x + dx, iteration, None)
            try:
                problem.factorise()
                both = problem.solve(np.column_stack([-residual, problem.load()]))
            except SingularTangent:
                return None
            # dx = both0 + dl both1 makes the residual zero; the linearised step condition gives dl
            slope = float(by_x @ both[:, 1]) + by_l
            if slope == 0.0:
                return None
            turn = -(gap + float(by_x @ both[:, 0])) / slope
            dx = dx + both[:, 0] + turn * both[:, 1]
            dl += turn
            if not np.isfinite(dl) or float(dx @ (self.weights * dx)) > 1e4 * max(unit, length**2):
                return None
        return None
