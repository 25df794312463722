"""Data that a model keeps between calls: factors, packed data, memory. Results do not depend on it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.sheetwork import SheetWork
from simkit.solve.linear import Factorisation

Array = NDArray[np.float64]


class Workspace:
    """The mutable part of one model, owned by that model alone.

    All of it can be computed again from the model. One caller at a time may use it. A model made by
    ``dataclasses.replace`` must be given a new workspace.

    Attributes
    ----------
    solvers : linear solvers by name, each with a factor of its own.
    elements : evaluator of the sheet's elements, with their kept tangents.
    tangent : (matrix values,) memory in which tangents are formed.
    weights : (equations,) area that belongs to each equation, mm^2.
    elastic_law : packed sheet law that never yields.
    undamaged_finger_N_per_mm : stiffness of the undamaged panel under a finger, by position in
        whole mm.
    """

    def __init__(self) -> None:
        self.solvers: dict[str, Factorisation] = {}
        self.elements: SheetWork | None = None
        self.tangent: Array | None = None
        self.weights: Array | None = None
        self.elastic_law: Array | None = None
        self.undamaged_finger_N_per_mm: dict[tuple[int, int], float] = {}
