"""Sheet and tool at one travel, as the system of equations that Newton's method balances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.equilibrium.engagement import Engagement, Reading
from simkit.equilibrium.model import Internal, Model, State
from simkit.solve.linear import SingularMatrix
from simkit.solve.nonlinear.newton import SingularTangent

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Drag:
    """Mass-like resistance against moving away from a place: force = rate * area * (u - anchor).

    Added where the sheet must snap: it lets the sheet run downhill to its next balance.
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

    @property
    def split(self) -> int:
        """Number of the sheet's equations."""
        return self.model.layout.count

    def evaluate(self, x: Array, tangent: bool) -> Array | None:
        """Out-of-balance forces; keeps the tangent, the tool's reading and nodal forces."""
        lay = self.model.layout
        displacement = lay.spread(x[: self.split])
        part = self.model.internal(displacement, self.state, tangent, elastic=self.elastic)
        if part is None:
            return None
        self.internal = part
        outside = np.zeros_like(part.force)
        own = np.empty(0)
        if self.tool is not None:
            self.reading = self.tool.add(
                self.model, self.model.patch.control + displacement, x[self.split:], self.travel,
                outside, part.data, tangent)
            own = self.reading.own
        if self.load is not None:
            outside -= self.load
        self.tool_nodal = -outside
        total = part.force + outside
        held = lay.equation < 0
        self._scale = max(self.peak_force, float(np.linalg.norm(outside[~held])),
                          float(np.linalg.norm(part.force[held])))
        residual = lay.gather(total)
        if self.drag is not None:
            weight = self.weights() * self.drag.rate
            residual = residual + weight * (x[: self.split] - self.drag.anchor)
            if tangent:
                part.data[lay.indptr[:-1]] += weight
        return np.concatenate([residual, own])

    def weights(self) -> Array:
        """Area that belongs to each equation, mm^2 (lumped mass without density)."""
        cache = self.model._cache
        if "weights" not in cache:
            area = np.zeros(self.model.patch.control.shape)
            g = self.model.geometry
            share = g.area.sum(axis=1) / self.model.element_points.shape[1]
            for axis in range(3):
                np.add.at(area[:, axis], self.model.element_points, share[:, None])
            cache["weights"] = self.model.layout.gather(area)
        return cache["weights"]

    def correction(self, residual: Array) -> tuple[Array, int | None]:
        """Newton step of the sheet, with the tool's own unknowns eliminated last."""
        assert self.internal is not None
        solver = self.model.factorisation(self.solver)
        try:
            solver.factor(self.internal.data)
        except SingularMatrix as error:
            raise SingularTangent from error
        return self.solve(residual), solver.negative_pivots

    def solve(self, residual: Array) -> Array:
        """Solve with the tangent factorised last; SingularTangent if no solution can be trusted."""
        solver = self.model.factorisation(self.solver)
        try:
            if self.tool is None or self.tool.unknowns == 0:
                return -solver.solve(residual)
            coupling, own = self.tool.border(self.model)
            both = solver.solve(np.column_stack([residual[: self.split], coupling]))
        except SingularMatrix as error:
            raise SingularTangent from error
        base, carried = both[:, 0], both[:, 1:]
        schur = own - coupling.T @ carried
        q = -np.linalg.solve(schur, residual[self.split:] - coupling.T @ base)
        return np.concatenate([-base - carried @ q, q])

    def force_scale(self) -> float:
        """Largest of: peak so far, applied nodal force, reaction at held places, N."""
        return max(self._scale, 1e-9)
