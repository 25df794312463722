"""Release prediction: the free shape, followed by Newton's method while the tool loads the sheet.
"""

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
"""Residual over the tool's force at which the free shape has converged."""
WATCHED_RESIDUAL_SHARE = 1e-2
"""The same while the tool still loads the sheet, for a goal that is met within 0.01 mm: it moves
the prediction by less than 0.001 mm."""
MOST_PREDICTION_ITERATIONS = 15
STALE_RESIDUAL_SHARE = 8.0
"""Residual of the last free shape over the tool's force above which another start is tried."""
SLOW_RESIDUAL_RATIO = 0.4
"""Ratio of successive residuals above which the tangent is formed anew."""


class ReleaseForecast:
    """Free shapes after an elastic release, followed while the tool advances.

    Used by one operation only. Before the operation the sheet is free and in equilibrium. Each
    increment changes the plastic strains of the loaded shape a little, and with them the free
    shape after release. Newton's method with the elastic law and a kept tangent finds the new free
    shape with a few residuals. Nothing yields in this release; `release_tool` computes the real
    one. ``everything_off``: standing loads are taken away as well.
    """

    def __init__(self, process: Process, free: Array, everything_off: bool = False) -> None:
        self.process, self.free, self.everything_off = process, free, everything_off
        self.factored = False

    def follow(self, point: Equilibrium,
               share: float = PREDICTION_RESIDUAL_SHARE) -> Array | None:
        """Equations of the free shape that belongs to a loaded one; None if none is found.

        ``share``: residual over the tool's force at which it has converged.

        If much has yielded since the last prediction, the loaded shape is a better start for
        Newton's method than the last free shape, unless it is unstable without its tool.
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
            self.factored = False
            loaded = point.x[: self.process.model.layout.count]
            found = self._converge(system, loaded, system.evaluate(loaded, False),
                                   share * force)
            if found is None:
                self.factored = False
                residual = system.evaluate(self.free, False)
        if found is None:
            found = self._converge(system, self.free, residual, share * force)
        if found is not None:
            self.free = found
        return found

    def _converge(self, system: SheetSystem, x: Array, residual: Array | None,
                  enough: float) -> Array | None:
        """Newton's method from x to a residual, N; the tangent is kept while that falls fast.

        Returns None without convergence, or where the sheet is unstable.
        """
        last = np.inf
        for _ in range(MOST_PREDICTION_ITERATIONS):
            if residual is None:
                return None
            size = length(residual)
            if size <= enough:
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
    """The system of a sheet in the state of ``point``, without its tool and without yielding."""
    model = process.model
    return SheetSystem(model, point.state, None, 0.0, elastic=model.elastic_law(), solver=solver)
