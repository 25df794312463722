"""Newton's method with a line search on the work of the residual."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class System(Protocol):
    """What the solver needs of a mechanical system."""

    def evaluate(self, x: Array, tangent: bool) -> Array | None:
        """Residual at x, N, or None if x is inadmissible; keeps the tangent."""

    def correction(self, residual: Array) -> tuple[Array, int | None]:
        """Solve K dx = -residual with the kept tangent; return dx and the number of negative
        pivots."""

    def force_scale(self) -> float:
        """Largest acting force (tool, reactions), N, with which the residual is compared."""


class Ending(Enum):
    """How an iteration ended."""

    CONVERGED = "converged"
    SLOW = "no convergence within the iterations allowed"
    DIVERGED = "the residual grew without limit"
    INADMISSIBLE = "an element was inverted"
    SINGULAR = "the tangent could not be factorised"


class SingularTangent(Exception):
    """Raised by a system whose tangent cannot be factorised."""


@dataclass(frozen=True)
class NewtonSettings:
    """Limits and criteria.

    Attributes
    ----------
    iterations : most iterations allowed.
    force_tolerance : residual (Euclidean norm) over the force scale.
    work_tolerance : |residual . dx| over force scale times the largest displacement increment.
    shortest_step : smallest factor of the line search.
    """

    iterations: int = 15
    force_tolerance: float = 1e-6
    work_tolerance: float = 1e-9
    shortest_step: float = 0.1


@dataclass(frozen=True)
class NewtonResult:
    """Result of the iteration: x, how it ended, iterations, residual history, negative pivots."""

    x: Array
    ending: Ending
    iterations: int
    history: list[float] = field(default_factory=list)
    negative_pivots: int | None = None

    @property
    def converged(self) -> bool:
        """True if both criteria were met."""
        return self.ending is Ending.CONVERGED


def work_of(force: Array, way: Array) -> float:
    """Inner product of a force and a displacement.

    Not by BLAS: for vectors as short as these, starting its threads costs more than it saves.
    """
    return float((force * way).sum())


def length(force: Array) -> float:
    """Euclidean norm; see :func:`work_of`."""
    return float(np.sqrt(work_of(force, force)))


def newton(system: System, x: Array, settings: NewtonSettings) -> NewtonResult:
    """Bring a system to equilibrium from a starting guess."""
    history: list[float] = []
    negative: int | None = None
    residual = system.evaluate(x, True)
    if residual is None:
        return NewtonResult(x, Ending.INADMISSIBLE, 0, history, negative)
    first = max(length(residual), 1e-300)
    work = np.inf
    for iteration in range(settings.iterations + 1):
        size = length(residual)
        scale = system.force_scale()
        history.append(size / scale)
        if size <= settings.force_tolerance * scale and work <= settings.work_tolerance:
            return NewtonResult(x, Ending.CONVERGED, iteration, history, negative)
        if not np.isfinite(size) or size > 1e8 * max(first, scale):
            return NewtonResult(x, Ending.DIVERGED, iteration, history, negative)
        if iteration == settings.iterations:
            break
        try:
            dx, negative = system.correction(residual)
        except SingularTangent:
            return NewtonResult(x, Ending.SINGULAR, iteration, history, negative)
        x, trial, factor = _search(system, x, dx, residual, settings)
        if trial is None:
            return NewtonResult(x, Ending.INADMISSIBLE, iteration, history, negative)
        # work of the new residual over force scale times displacement; the displacement counts as
        # at least 1e-3 (mm), so that rounding in very small increments does not matter
        reach = max(float(np.abs(dx).max(initial=0.0)) * factor, 1e-300)
        work = abs(work_of(trial, dx)) * factor / (scale * max(reach, 1e-3))
        residual = trial
    return NewtonResult(x, Ending.SLOW, settings.iterations, history, negative)


def _search(
    system: System, x: Array, dx: Array, residual: Array, settings: NewtonSettings
) -> tuple[Array, Array | None, float]:
    """Line search: step length at which the work residual . dx is small.

    It accepts 0.9 of the work before or less, and any step after which the work has kept its sign.
    Else the work has changed sign and grown: the next length is found by linear interpolation.
    """
    before = work_of(residual, dx)
    factor = 1.0
    best: tuple[Array, Array | None, float] = (x, None, 0.0)
    for _ in range(6):
        trial = system.evaluate(x + factor * dx, True)
        if trial is None:
            factor *= 0.5
            continue
        after = work_of(trial, dx)
        best = (x + factor * dx, trial, factor)
        # work small enough, or of the same sign: the zero of the work has not been passed
        if abs(after) <= 0.9 * abs(before) or after * before > 0.0 or factor < 0.11:
            break
        factor = max(settings.shortest_step, factor * before / (before - after))
    return best
