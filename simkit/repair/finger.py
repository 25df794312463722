"""Finger check: is a place stiff under a press, or does it snap like an oil can?

A thumb force of 30 N over 15 mm is common practice, no source. The force is normal to the sheet,
uniform over the footprint, and increases from zero; the sheet may yield. The panel is not changed:
only the loading is computed, and its result is not kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.errors import InputError
from simkit.inspection.sampling import point_on
from simkit.mechanics.contact.attach import footprint
from simkit.mechanics.contact.tips import tool_frame
from simkit.mechanics.loads import Acting, NodalForces
from simkit.mechanics.model import Model, State
from simkit.mechanics.statics import solve_static
from simkit.solve.nonlinear.stepping import StepSettings
from simkit.tool.tabs import Tab

FINGER_N, FINGER_MM = 30.0, 15.0
PRESS_FORCE_SHARES = (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
"""Shares of the force at which equilibria are computed."""
SNAP_STIFFNESS_SHARE = 0.5
"""Stiffness of a further press over the first one below which the sheet counts as snapping."""


@dataclass(frozen=True)
class FingerCheck:
    """Result of a finger check.

    Attributes
    ----------
    force_N : largest force with an equilibrium; give_mm : inward motion of the place under it.
    stiffness_N_per_mm : force over motion; first_N_per_mm : the same at the beginning.
    snaps : True if no stable equilibrium was found up to the whole force, or if the stiffness fell
        below half of its first value.
    """

    force_N: float
    give_mm: float
    stiffness_N_per_mm: float
    first_N_per_mm: float
    snaps: bool


@dataclass(frozen=True)
class _Press:
    nodal: np.ndarray

    def on(self, model: Model) -> Acting:
        """See :class:`simkit.mechanics.loads.StaticLoad`."""
        return NodalForces(self.nodal)


def finger_check(model: Model, state: State, x_mm: float, y_mm: float, force_N: float = FINGER_N,
                 over_mm: float = FINGER_MM) -> FingerCheck:
    """Press inwards at a place x, y with a force uniform over a disc of diameter ``over_mm``.

    Raises
    ------
    InputError : a force or size that is not positive, or a place off the panel.
    """
    for key, value in (("force_N", force_N), ("over_mm", over_mm)):
        if not 0.0 < value < np.inf:
            raise InputError(f"{key} {value:g}", "a positive number", key=key)
    at, normal = point_on(model, state, x_mm, y_mm)
    points, _, _ = footprint(model, state, Tab("finger", "round", over_mm, over_mm), at,
                             tool_frame(-normal))
    # at an edge a part of the disc is off the panel; 40 % of its area must be on it
    if points.area.sum() < 0.4 * np.pi * (0.5 * over_mm) ** 2:
        raise InputError(f"press at x {x_mm:g} mm, y {y_mm:g} mm", "a place on the panel")
    share = points.area / points.area.sum()
    nodal = np.zeros_like(model.patch.control)
    np.add.at(nodal, model.element_points[points.element],
              -force_N * (points.shape * share[:, None])[:, :, None] * normal)
    u, v, _ = model.patch.locate(np.array([x_mm]), np.array([y_mm]))
    done = solve_static(model, _Press(nodal), PRESS_FORCE_SHARES, np.column_stack([u, v]),
                        StepSettings(smallest=1e-2), state)
    start = model.patch.evaluation(u, v) @ state.displacement
    give = -((done.displacement[:, 0] - start[0]) @ normal)
    if give.size == 0:
        return FingerCheck(0.0, 0.0, 0.0, 0.0, True)
    press = force_N * np.asarray(done.factors)
    first, last = press[0] / give[0], press[-1] / give[-1]
    # tangent stiffness between neighbouring equilibria: a softening place may snap beyond them
    steps = np.diff(press, prepend=0.0) / np.diff(give, prepend=0.0)
    unstable = any(count not in (None, 0) for count in done.negative_pivots)
    snaps = not done.converged or unstable or bool((steps < SNAP_STIFFNESS_SHARE * first).any())
    return FingerCheck(float(press[-1]), float(give[-1]), float(last), float(first), snaps)
