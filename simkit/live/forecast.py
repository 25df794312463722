"""Fast forecast of the panel under load: the elastic displacement by a force at one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.sampling import probe_at
from simkit.mechanics.model import Model, State
from simkit.solve.linear import SingularMatrix

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Foreseen:
    """Displacement under load (control points, 3), mm, and the force for it, N."""

    displacement: Array
    force_N: float


class Forecaster:
    """Elastic forecasts for one state; the tangent is factored once.

    The panel is taken as linear about its present state. If it yields or softens, the force is an
    upper estimate and the shape holds for the first millimetres only. The shape after release is
    not predicted here; it is computed by the operation itself.
    """

    def __init__(self, model: Model, state: State) -> None:
        self.model, self.state = model, state
        self.solver = model.factorisation("live forecast")
        part = model.internal(state.displacement, state, True)
        if part is None:
            raise SingularMatrix
        self.solver.factor(part.data)

    def at(self, x_mm: float, y_mm: float, height_mm: float) -> Foreseen:
        """The panel when the place is brought to a deviation, mm, by a force along its normal."""
        probe = probe_at(self.model, x_mm, y_mm)
        unit = np.zeros_like(self.state.displacement)
        unit[probe.nodes] = probe.weights
        layout = self.model.layout
        shape = layout.spread(self.solver.solve(layout.gather(unit)))
        compliance = probe.read(shape)
        if not compliance > 0.0:
            raise SingularMatrix
        # Linear: displacement = force * shape, so the compliance of the place gives the force.
        force = (height_mm - probe.read(self.state.displacement)) / compliance
        return Foreseen(self.state.displacement + force * shape, float(force))
