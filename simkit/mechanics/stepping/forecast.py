"""The shape after release, followed while loading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.model import nodal_of
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.system import SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent, length

Array = NDArray[np.float64]
PREDICTION_RESIDUAL_SHARE = 1e-3
"""Residual of a followed free shape over the tool's force."""
MOST_PREDICTION_ITERATIONS = 15
STALE_RESIDUAL_SHARE = 8.0
"""Residual of the last free shape over the tool's force from which it is no good start."""
SLOW_RESIDUAL_RATIO = 0.4
"""Share of the residual left by a round from which the next takes a tangent of its own."""


class ReleaseForecast:
    """Shapes after release, followed while the tool advances (private to one operation).

    The sheet before the operation is free and in equilibrium. As the tool works, the plastic strain
    at the loaded shape changes a little with every increment, and so does the free shape it
    leads to: Newton with the elastic law and a tangent kept at the free shape follows it in a
    few residuals. It is the way back on which nothing yields; `release_tool` computes the real one.
    ``everything_off``: standing loads are taken away as well.
    """

    def __init__(self, process: Process, free: Array, everything_off: bool = False) -> None:
        self.process, self.free, self.everything_off = process, free, everything_off
        self.factored = False

    def follow(self, point: Equilibrium) -> Array | None:
        """Equations of the free shape behind a loaded one; None where none is found.

        Where much has yielded since the last look, the loaded shape is the nearer start, unless it
        is unstable without its tool.
        """
        acting = point.tool_nodal
        if self.everything_off:
            acting = acting + nodal_of(self.process.model, point.state)
            point = replace(point, state=replace(point.state, standing=()))
        system = elastic_system(self.process, point, "release solver")
        force = max(float(np.linalg.norm(acting)), 1e-9)
        residual = system.evaluate(self.free, False)
        found = None
        if residual is not None and length(residual) > STALE_RESIDUAL_SHARE * force:
            factored, self.factored = self.factored, False
            loaded = point.x[: self.process.model.layout.count]
            found = self._home(system, loaded, system.evaluate(loaded, False), force)
            self.factored = factored and found is not None
            if found is None:
                residual = system.evaluate(self.free, False)
        if found is None:
            found = self._home(system, self.free, residual, force)
        if found is not None:
            self.free = found
        return found

    def _home(self, system: SheetSystem, x: Array, residual: Array | None,
              force: float) -> Array | None:
        """Newton with a tangent kept while it does."""
        last = np.inf
        for _ in range(MOST_PREDICTION_ITERATIONS):
            if residual is None:
                return None
            size = length(residual)
            if size <= PREDICTION_RESIDUAL_SHARE * force:
                return x
            try:
                if size > SLOW_RESIDUAL_RATIO * last or not self.factored:
                    dx, negative = system.correction(residual)
                    self.factored = not negative
                    if negative:
                        return None
                else:
                    dx = system.solve(residual)
            except SingularTangent:
                return None
            x, last = x + dx, size
            residual = system.evaluate(x, False)
        return None


def elastic_system(process: Process, point: Equilibrium, solver: str) -> SheetSystem:
    """The sheet at a point, without its tool, that no longer yields."""
    model = process.model
    return SheetSystem(model, point.state, None, 0.0, elastic=model.elastic_law(), solver=solver)
