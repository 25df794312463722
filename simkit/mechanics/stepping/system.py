"""Sheet and tool at one travel as a system of equations for Newton's method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, Reading
from simkit.mechanics.model import Internal, Model, State
from simkit.solve.linear import CORRECTION_GOAL, SingularMatrix
from simkit.solve.linear.bordered import Bordered
from simkit.solve.nonlinear.newton import SingularTangent, length
from simkit.underway import go_on

Array = NDArray[np.float64]
REUSE_RESIDUAL_RATIO = 0.1
"""Ratio of successive residuals below which the factorisation is used again."""
REUSE_RESIDUAL_SHARE = 3e-4
"""Residual over the acting forces below which it is used again even with a ratio of up to 0.2."""


@dataclass(frozen=True)
class Drag:
    """Resistance against motion from a position: force = rate * area * (u - anchor).

    rate: N/mm^3; anchor (equations,): mm. Used in snapping, see
    :func:`simkit.mechanics.stepping.snapping.snap_through`.
    """

    rate: float
    anchor: Array


class SheetSystem:
    """Residual and tangent of a model under one engagement.

    Unknowns: the model's equations, then the tool's own unknowns.
    """

    def __init__(self, model: Model, state: State, tool: Engagement | None, travel: float,
                 peak_force: float = 0.0, drag: Drag | None = None,
                 load: Array | None = None, elastic: Array | None = None,
                 solver: str = "solver") -> None:
        self.model, self.state, self.tool, self.travel = model, state, tool, travel
        self.peak_force, self.drag, self.load, self.elastic = peak_force, drag, load, elastic
        self.solver = solver
        self.internal: Internal | None = None
        self.reading: Reading | None = None
        self.tool_nodal: Array | None = None
        self._scale = peak_force
        self._at: tuple[Array, Array] | None = None
        self._sizes: list[float] = []
        self._factored = False
        self._bordered: Bordered | None = None

    @property
    def split(self) -> int:
        """Number of the sheet's equations."""
        return self.model.layout.count

    def evaluate(self, x: Array, tangent: bool) -> Array | None:
        """Residual of all unknowns, N; keeps the tool's reading and nodal forces.

        The tangent is formed later, by :meth:`correction`, and only if it is needed.
        """
        lay = self.model.layout
        displacement = lay.spread(x[: self.split])
        part = self.model.internal(displacement, self.state, False, elastic=self.elastic)
        if part is None:
            return None
        self.internal, self._at = part, (x, displacement)
        outside = np.zeros_like(part.force)
        own = np.empty(0)
        if self.tool is not None:
            self.reading = self.tool.add(
                self.model, self.model.patch.control + displacement, x[self.split:], self.travel,
                outside, part.data, False)
            own = self.reading.own
        if self.load is not None:
            outside -= self.load
        self.tool_nodal = -outside
        total = part.force + outside
        held = lay.equation < 0
        self._scale = max(self.peak_force, length(outside[~held]), length(part.force[held]))
        residual = lay.gather(total)
        if self.drag is not None:
            residual = residual + self.weights() * self.drag.rate * (
                x[: self.split] - self.drag.anchor)
        return np.concatenate([residual, own])

    def tangent(self, renew: bool) -> Array:
        """Tangent values at the x evaluated last; the next call overwrites them."""
        assert self.internal is not None
        assert self._at is not None
        x, displacement = self._at
        data = self.model.tangent(displacement, self.state, self.internal, self.elastic,
                                  self.solver, renew, self.model.room_for_tangent())
        if data is None:
            raise SingularTangent
        if self.tool is not None:
            self.tool.add(self.model, self.model.patch.control + displacement, x[self.split:],
                          self.travel, np.zeros_like(displacement), data, True)
        if self.drag is not None:
            data[self.model.layout.indptr[:-1]] += self.weights() * self.drag.rate
        return data

    def weights(self) -> Array:
        """Area that belongs to each equation, mm^2 (lumped mass without density)."""
        return self.model.equation_areas()

    def correction(self, residual: Array) -> tuple[Array, int | None]:
        """Newton step of all unknowns, and the number of negative pivots.

        After a step that reduced the residual strongly, the factorisation is used again (modified
        Newton): a new one would cost more than it gains.
        """
        go_on()
        size = length(residual)
        last = self._sizes[-1] if self._sizes else np.inf
        # slow convergence: form all element tangents anew
        renew = len(self._sizes) > 2 and size > 0.3 * last
        near = size < REUSE_RESIDUAL_SHARE * self.force_scale() and size < 0.2 * last
        well = self._factored and (near or size < REUSE_RESIDUAL_RATIO * last)
        self._sizes.append(size)
        solver = self.model.factorisation(self.solver)
        if not well:
            try:
                solver.factor(self.tangent(renew))
            except SingularMatrix as error:
                raise SingularTangent from error
            self._factored, self._bordered = True, None
        return self.solve(residual), solver.negative_pivots

    def solve(self, residual: Array) -> Array:
        """Return -K^-1 residual with the tangent factorised last.

        Raises SingularTangent if the solution is not accurate.
        """
        solver = self.model.factorisation(self.solver)
        try:
            if self.tool is None or self.tool.unknowns == 0:
                return -solver.solve(residual, CORRECTION_GOAL)
            if self._bordered is None:
                if not self._factored:
                    raise SingularTangent
                self._bordered = Bordered(solver, *self.tool.border(self.model))
            return -self._bordered.solve(residual, CORRECTION_GOAL)
        except SingularMatrix as error:
            raise SingularTangent from error

    def force_scale(self) -> float:
        """Largest of: peak force so far, applied nodal force, reaction at held displacements, N."""
        return max(self._scale, 1e-9)
