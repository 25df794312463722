"""Imprint: pull the sheet onto a forming target so that, released, it has the measured shape.

Displacement adjustment as in die springback compensation (Gan and Wagoner 2004): form to a target,
release, add the remaining difference to the target, start again from the same state.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.attach import forming_target
from simkit.mechanics.model import Model, State
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load

Array = NDArray[np.float64]
Progress = Callable[[str], None]
SETTINGS = AdvanceSettings(first_mm=0.1, largest_mm=0.34, smallest_share=1e-3)
BED_N_PER_MM3 = 30.0
"""Forming springs: some hundred times the sheet's own stiffness at the wavelength of a dent
(D q^4 + E t / R^2, below 0.3 N/mm^3 for 100 mm), so that the held shape follows the target."""


@dataclass(frozen=True)
class Imprint:
    """Outcome of imprinting: state, rms and largest difference left (mm), rounds, last advance."""

    state: State
    rms_mm: float
    worst_mm: float
    rounds: int
    advance: Advance | None


def deviation_at_gauss(model: Model, state: State) -> Array:
    """Deviation along the normal at every Gauss point, (elements, points), mm."""
    g = model.geometry
    n = model.element_points.shape[1]
    shape = np.einsum("agi,bhj->abghij", g.shape_u[..., 0], g.shape_v[..., 0])
    shape = shape.reshape(g.elements, g.points, n)
    moved = np.einsum("egk,ekc->egc", shape, state.displacement[model.element_points])
    return (moved * g.normal).sum(axis=-1)


def imprint(model: Model, start: State, wanted_mm: Array, weight: Array, match_mm: float,
            rounds: int, progress: Progress = lambda text: None) -> Imprint:
    """Form ``start`` until its released deviation matches ``wanted_mm`` (elements, points).

    ``weight`` (same shape, 0..1) says where the match counts. Keeps the best round.
    """
    best = Imprint(start, *_misfit(model, start, wanted_mm, weight), 0, None)
    goal = deviation_at_gauss(model, start) + (wanted_mm - deviation_at_gauss(model, start))
    for k in range(1, rounds + 1):
        if best.rms_mm <= match_mm:
            break
        tool = forming_target(model, start, goal, BED_N_PER_MM3, weight)
        result = advance(model, start, Load(tool, 1.0), SETTINGS)
        if not result.outcome.valid:
            break
        rms, worst = _misfit(model, result.state, wanted_mm, weight)
        progress(f"imprint round {k}: {rms:.3f} mm rms, {worst:.3f} mm at worst")
        if rms < best.rms_mm:
            best = Imprint(result.state, rms, worst, k, result)
        elif rms > 1.5 * best.rms_mm:
            break
        goal = goal + weight * (wanted_mm - deviation_at_gauss(model, result.state))
    return best


def _misfit(model: Model, state: State, wanted: Array, weight: Array) -> tuple[float, float]:
    gap = (deviation_at_gauss(model, state) - wanted) * (weight > 0.5)
    area = model.geometry.area * (weight > 0.5)
    return (float(np.sqrt((area * gap**2).sum() / area.sum())), float(np.abs(gap).max()))
