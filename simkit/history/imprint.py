"""Imprint: draw the sheet onto a forming target so that it has the measured shape after release.

Displacement adjustment as in die springback compensation (Gan and Wagoner 2004): form to a target,
release, add the remaining difference to the target, start again from the same state.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.match import Match
from simkit.mechanics.contact.attach import forming_target
from simkit.mechanics.model import Model, State
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.underway import doing

Array = NDArray[np.float64]
Progress = Callable[[str], None]
SETTINGS = AdvanceSettings(first_mm=0.1, largest_mm=0.34, smallest_share=1e-3)
BED_N_PER_MM3 = 30.0
"""Stiffness of the forming springs: about a hundred times that of the sheet at the wavelength of a
dent (D q^4 + E t / R^2 with q = 2 pi / wavelength; below 0.3 N/mm^3 for 100 mm), so that the loaded
shape follows the target."""
FORMING_STIFFNESS_FACTOR = 10.0
"""Smallest stiffness of the forming springs over that of the sheet, D q^4, at the narrowest spot.
"""
REMEMBERED_ROUNDS, PLAIN_ROUNDS, DAMPING = 3, 2, 1e-3
"""Number of earlier rounds that a correction uses (Anderson acceleration); first rounds without it;
damping of its least squares. Without acceleration a wide shallow dent gains only 10 % a round. The
first rounds are left out because the sheet has hardly yielded in them."""
Judge = Callable[[State], Match]


@dataclass(frozen=True)
class Imprint:
    """Result of imprinting: state, comparison with the measured shape, rounds, last operation."""

    state: State
    match: Match
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


def bed_stiffness(model: Model, narrowest_mm: float) -> float:
    """Stiffness of forming springs [N/mm^3] for spots ``narrowest_mm`` wide at half their height.

    Such a spot is half a wave; the bending stiffness of the sheet against it is D q^4.
    """
    rigidity = model.sheet.E_MPa * model.thickness_mm**3 / (12.0 * (1.0 - model.sheet.nu**2))
    return max(BED_N_PER_MM3, FORMING_STIFFNESS_FACTOR * rigidity * (np.pi / narrowest_mm) ** 4)


def imprint(model: Model, start: State, wanted_mm: Array, weight: Array, match_mm: float,
            rounds: int, judge: Judge, stiffness_N_per_mm3: float = BED_N_PER_MM3,
            progress: Progress = lambda text: None) -> Imprint:
    """Form ``start`` until its deviation after release matches ``wanted_mm`` (elements, points).

    ``weight`` (same shape, 0 to 1) says where the match counts. The rounds end when the rms
    difference there is below ``match_mm`` and ``judge`` finds every spot. Returns the best round.
    """
    best, rms = Imprint(start, judge(start), 0, None), _misfit(model, start, wanted_mm, weight)
    goal, goals, gaps = wanted_mm, list[Array](), list[Array]()
    for k in range(1, rounds + 1):
        if best.match.matched and rms <= match_mm:
            break
        tool = forming_target(model, start, goal, stiffness_N_per_mm3, weight)
        with doing(f"imprint round {k}"):
            result = advance(model, start, Load(tool, 1.0), SETTINGS)
        if not result.outcome.valid:
            break
        match = judge(result.state)
        progress(f"imprint round {k}: {match.rms_mm:.3f} mm rms, {match.worst_mm:.3f} mm at worst")
        if (match.matched, -match.rms_mm) > (best.match.matched, -best.match.rms_mm):
            best = Imprint(result.state, match, k, result)
            rms = _misfit(model, result.state, wanted_mm, weight)
        elif best.match.matched:
            break
        goals.append(goal)
        gaps.append(weight * (wanted_mm - deviation_at_gauss(model, result.state)))
        goal = _next_goal(goals, gaps)
    return best


def _next_goal(goals: list[Array], gaps: list[Array]) -> Array:
    """The next target by Anderson acceleration (1965).

    goals, gaps: targets so far, and the remaining differences that they left. It is the combination
    of the last targets whose gap would be smallest if gaps were linear, plus that gap; in the first
    rounds, and without a change of the gaps, the last target plus its gap.
    """
    if len(goals) <= PLAIN_ROUNDS:
        return goals[-1] + gaps[-1]
    back = range(1, min(REMEMBERED_ROUNDS, len(goals) - 1) + 1)
    fall = np.stack([(gaps[-1] - gaps[-1 - i]).ravel() for i in back], axis=1)
    move = np.stack([(goals[-1] - goals[-1 - i]).ravel() for i in back], axis=1)
    normal = fall.T @ fall
    if not np.trace(normal) > 0.0:
        return goals[-1] + gaps[-1]
    # least squares: shares c of the earlier rounds that minimise |gap - sum c_i fall_i|; damping is
    # relative to the mean diagonal, since the differences of rounds become nearly parallel
    damped = normal + DAMPING * np.trace(normal) / len(back) * np.eye(len(back))
    share = np.linalg.solve(damped, fall.T @ gaps[-1].ravel())
    mixed = gaps[-1].ravel() - (move + fall) @ share
    return goals[-1] + mixed.reshape(goals[-1].shape)


def _misfit(model: Model, state: State, wanted: Array, weight: Array) -> float:
    """Rms difference to the wanted deviation where the weight is above one half, mm."""
    gap = (deviation_at_gauss(model, state) - wanted) * (weight > 0.5)
    area = model.geometry.area * (weight > 0.5)
    return float(np.sqrt((area * gap**2).sum() / area.sum()))
