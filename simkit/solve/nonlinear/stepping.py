"""Load stepping: given load factors in order, with increments of automatic length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simkit.solve.nonlinear.newton import Ending, NewtonResult, NewtonSettings, System, newton

Array = NDArray[np.float64]


class Loaded(Protocol):
    """A system whose load is a factor times a fixed pattern."""

    def at(self, factor: float) -> System:
        """The system under this load factor, from the state committed last."""

    def commit(self, x: Array, factor: float) -> None:
        """Accept the equilibrium evaluated last as the state from which the next step begins."""


@dataclass(frozen=True)
class StepSettings:
    """Step control.

    Attributes
    ----------
    first : first and largest step of the load factor; infinite: one step to each given factor.
    smallest : smallest step before giving up, as a share of the difference of two factors.
    growth : factor by which the step grows after few Newton iterations.
    easy_iterations : number of Newton iterations up to which the step grows.
    newton : iteration settings.
    """

    first: float = np.inf
    smallest: float = 1e-4
    growth: float = 1.6
    easy_iterations: int = 6
    newton: NewtonSettings = field(default_factory=NewtonSettings)


@dataclass(frozen=True)
class LoadStep:
    """An equilibrium: load factor, x, Newton iterations, negative pivots of the last tangent."""

    factor: float
    x: Array
    iterations: int
    negative_pivots: int | None


@dataclass(frozen=True)
class LoadHistory:
    """Equilibria at load factors in order.

    Attributes
    ----------
    steps : one for each given factor that was reached.
    ending : CONVERGED, or how the last attempt failed.
    iterations : sum of all Newton iterations; increments : equilibria found; cuts : steps halved.
    history : residuals of the last attempt, where it failed.
    """

    steps: tuple[LoadStep, ...]
    ending: Ending
    iterations: int
    increments: int
    cuts: int
    history: list[float]

    @property
    def converged(self) -> bool:
        """True if every factor was reached."""
        return self.ending is Ending.CONVERGED


class _Stepper:
    """Present state of the load stepping."""

    def __init__(self, problem: Loaded, x: Array, factor: float, settings: StepSettings) -> None:
        self.problem, self.settings = problem, settings
        self.x, self.factor = x, factor
        self.last_x, self.last_factor = x, factor
        self.step = settings.first
        self.iterations = self.increments = self.cuts = 0

    def reach(self, goal: float) -> NewtonResult:
        """Do increments up to a factor; return the last result, converged at the goal or failed."""
        settings = self.settings
        way = abs(goal - self.factor)
        while True:
            left = goal - self.factor
            last = self.step >= abs(left) * (1.0 - 1e-9)
            factor = goal if last else self.factor + np.sign(left) * self.step
            result = newton(self.problem.at(factor), self._guess(factor), settings.newton)
            self.iterations += result.iterations
            if not result.converged:
                self.cuts += 1
                self.step = 0.5 * min(self.step, abs(left))
                if self.step < settings.smallest * way:
                    return result
                # after a failure do not extrapolate: the path may bend here
                self.last_x, self.last_factor = self.x, self.factor
                continue
            self._accept(result, factor)
            if last:
                return result

    def _guess(self, factor: float) -> Array:
        """First guess of x: linear extrapolation by at most twice the last increment."""
        before = self.factor - self.last_factor
        if before == 0.0:
            return self.x
        ratio = (factor - self.factor) / before
        return self.x + min(ratio, 2.0) * (self.x - self.last_x) if ratio > 0.0 else self.x

    def _accept(self, result: NewtonResult, factor: float) -> None:
        self.problem.commit(result.x, factor)
        self.last_x, self.last_factor = self.x, self.factor
        self.x, self.factor = result.x, factor
        self.increments += 1
        if result.iterations <= self.settings.easy_iterations:
            self.step = min(self.step * self.settings.growth, self.settings.first)


def step_through(problem: Loaded, x: Array, factors: Sequence[float],
                 settings: StepSettings | None = None, start: float = 0.0) -> LoadHistory:
    """Equilibria at every load factor, in order (they may fall again), from x at ``start``.

    A step is halved where Newton's method fails and grows again where it needs few iterations.
    """
    stepper = _Stepper(problem, x, start, settings or StepSettings())
    steps: list[LoadStep] = []
    ending, history = Ending.CONVERGED, [0.0]
    for factor in factors:
        result = stepper.reach(float(factor))
        ending, history = result.ending, result.history
        if not result.converged:
            break
        steps.append(LoadStep(float(factor), result.x, result.iterations, result.negative_pivots))
    return LoadHistory(tuple(steps), ending, stepper.iterations, stepper.increments, stepper.cuts,
                       history)
