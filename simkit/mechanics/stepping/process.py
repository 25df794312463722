"""Equilibria of one operation, each with the work and the largest force up to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, Reading
from simkit.mechanics.model import Internal, Model, State
from simkit.mechanics.stepping.orders import GIVEN_BACK, AdvanceSettings
from simkit.mechanics.stepping.system import Drag, SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent, length, newton, work_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Equilibrium:
    """The sheet in equilibrium at one travel.

    Attributes
    ----------
    x : equations, then the tool's own unknowns; state, internal : the sheet.
    tool_nodal : (control points, 3) force of the tool on the sheet, N.
    reading : reaction of the tool; travel : its travel, mm.
    negative : number of negative pivots of the last tangent; above 0 the equilibrium is unstable.
    rate : derivative of x by the travel; slope : derivative of the force, N/mm; None if not
        computed.
    work : work of the tool's nodal forces on the sheet since the operation began, by the
        trapezoidal rule, N mm; drag : energy lost in snapping, N mm. Both belong to this
        equilibrium, so an increment that is dropped leaves no trace in them.
    peak_N, peak_nodal_N : largest force of the tool and largest norm of its nodal forces so far.
    snaps : number of snaps so far.
    """

    x: Array
    state: State
    internal: Internal
    tool_nodal: Array
    reading: Reading
    travel: float
    negative: int | None = 0
    iterations: int = 0
    rate: Array | None = None
    slope: float | None = None
    work: float = 0.0
    drag: float = 0.0
    peak_N: float = 0.0
    peak_nodal_N: float = 0.0
    snaps: int = 0

    def alone(self, equations: int) -> Equilibrium:
        """The same equilibrium without the tool's own unknowns, at zero travel."""
        return replace(self, x=self.x[:equations], travel=0.0, rate=None, slope=None)


SNAP_ENERGY_SHARE = 0.3
"""Share of an increment's energy whose loss means a snap; the error of the trapezoidal rule is up
to 0.2 where the contact zone grows."""
RATE_STEP_MM = 1e-5
"""Travel of the finite difference of a tool's forces."""


class Process:
    """Finds the equilibria of one operation and counts iterations and halved increments."""

    def __init__(self, model: Model, settings: AdvanceSettings, begin: State) -> None:
        self.model, self.settings, self.begin = model, settings, begin
        self.iterations = self.cuts = 0
        self.plastic = 0.0

    def rest(self, unknowns: int) -> Equilibrium | None:
        """The sheet before the tool moves; None if its state is inverted."""
        internal = self.model.internal(self.begin.displacement, self.begin, False)
        if internal is None:
            return None
        self.plastic = internal.plastic_work
        x = np.concatenate([self.reduce(self.begin.displacement), np.zeros(unknowns)])
        return Equilibrium(x, self.begin, internal, np.zeros_like(internal.force),
                      Reading(0.0, np.zeros(unknowns)), 0.0)

    def may_miss(self, point: Equilibrium, since: float = 0.0) -> float:
        """Energy error that is allowed for the operation up to a point, N mm; ``since``: work of
        the tool after the point, N mm."""
        spent = point.internal.plastic_work - self.plastic + point.drag
        return 0.01 * self.settings.energy_error_pct * max(
            spent, GIVEN_BACK * abs(point.work), abs(point.work + since))

    def jumped(self, before: Equilibrium, after: Equilibrium) -> bool:
        """Whether an increment jumped to another branch of equilibria.

        It did if the stored energy fell and the difference is neither plastic work nor work on the
        tool.
        """
        if after.internal.stored >= before.internal.stored:
            return False
        work = after.work - before.work
        taken = after.internal.energy - before.internal.energy
        return work - taken > max(self.may_miss(after), SNAP_ENERGY_SHARE
                                  * (abs(work) + abs(taken)))

    def reduce(self, displacement: Array) -> Array:
        """Displacement of each equation (count,) from nodal displacements (control points, 3)."""
        eq = self.model.layout.equation
        reduced = np.zeros(self.model.layout.count)
        reduced[eq[eq >= 0]] = displacement[eq >= 0]
        return reduced

    def equilibrium(self, point: Equilibrium, tool: Engagement | None, travel: float, guess: Array,
                drag: Drag | None = None, rate: bool = False,
                ends: bool = False) -> Equilibrium | None:
        """Equilibrium at a travel, by Newton's method from the state of ``point``, or None.

        ``rate``: compute also the derivative by the travel, for tools with own unknowns. For a
        rigid tip it would be a difference of two large penalty forces, dominated by the residual of
        the last iteration. ``ends``: the operation ends here; use the tighter tolerance.
        """
        system = SheetSystem(self.model, point.state, tool, travel, point.peak_nodal_N, drag)
        result = newton(system, guess, self.settings.newton if ends else self.settings.passing)
        self.iterations += result.iterations
        if not result.converged or system.internal is None or system.tool_nodal is None:
            return None
        displacement = self.model.layout.spread(result.x[: self.model.layout.count])
        dx, slope = _rate(system, result.x) if rate and tool and tool.unknowns else (None, None)
        reading = system.reading or Reading(0.0, np.empty(0))
        moved = displacement - point.state.displacement
        work = 0.5 * work_of(point.tool_nodal + system.tool_nodal, moved)
        return Equilibrium(
            result.x, system.internal.state(displacement), system.internal,
            system.tool_nodal, reading, travel, result.negative_pivots, result.iterations, dx,
            slope, point.work + work, point.drag, max(point.peak_N, reading.force_N),
            max(point.peak_nodal_N, length(system.tool_nodal)), point.snaps)


def _rate(system: SheetSystem, x: Array) -> tuple[Array | None, float | None]:
    """Derivatives of x and of the tool's force by the travel t, with the tangent factored last.

    K dx/dt = - dr/dt, where dr/dt is a finite difference of the tool's forces.
    """
    count, step, lay = system.split, RATE_STEP_MM, system.model.layout

    def forces_at(place: Array, travel: float) -> tuple[Array, Reading]:
        assert system.tool is not None
        force = np.zeros_like(system.model.patch.control)
        at = system.model.patch.control + lay.spread(place[:count])
        read = system.tool.add(system.model, at, place[count:], travel, force, np.empty(1), False)
        return np.concatenate([lay.gather(force), read.own]), read

    here, now = forces_at(x, system.travel)
    moved, _ = forces_at(x, system.travel + step)
    try:
        dx = system.solve((moved - here) / step)
    except SingularTangent:
        return None, None
    _, later = forces_at(x + step * dx, system.travel + step)
    return dx, (later.force_N - now.force_N) / step
