"""Through-thickness integration rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Layers:
    """Heights in units of the thickness, from -1/2 (inner face) to 1/2, and weights (sum 1)."""

    heights: NDArray[np.float64]
    weights: NDArray[np.float64]


def gauss_layers(count: int) -> Layers:
    """Gauss-Legendre layers, exact for polynomials of degree 2 count - 1 through the thickness."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return Layers(0.5 * nodes, 0.5 * weights)
