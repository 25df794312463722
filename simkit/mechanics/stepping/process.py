"""An operation under way: equilibria, each with the books of energy and force up to it."""

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
    reading : what the tool feels; travel; negative : negative pivots of the last tangent.
    rate : change of x per mm of travel; slope : change of the force, N/mm; None where not asked.
    work, drag : N mm since the operation began: work of the tool's nodal forces on the sheet by the
        trapezoid, energy lost in snapping. A dropped increment takes its books along.
    peak_N, peak_nodal_N : largest force of the tool and norm of its nodal forces so far.
    snaps : times the sheet snapped.
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
        """The same equilibrium without the tool's own unknowns, at no travel."""
        return replace(self, x=self.x[:equations], travel=0.0, rate=None, slope=None)


SNAP_ENERGY_SHARE = 0.3
"""Share of an increment's energy that only a jump can take away: the trapezoid misses a fifth
where contact spreads."""
RATE_STEP_MM = 1e-5
"""Travel over which a tool's forces are differenced."""


class Process:
    """Finds equilibria for one operation and counts what they cost (private to one call)."""

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
        """Energy (N mm) that the books of a whole operation may miss, as far as it has come;
        ``since``: work of the tool after the point."""
        spent = point.internal.plastic_work - self.plastic + point.drag
        return 0.01 * self.settings.energy_error_pct * max(
            spent, GIVEN_BACK * abs(point.work), abs(point.work + since))

    def jumped(self, before: Equilibrium, after: Equilibrium) -> bool:
        """Whether an increment jumped to another branch: elastic energy is gone that did not yield
        the sheet and did not go back into the tool."""
        if after.internal.stored >= before.internal.stored:
            return False
        work = after.work - before.work
        taken = after.internal.energy - before.internal.energy
        return work - taken > max(self.may_miss(after), SNAP_ENERGY_SHARE
                                  * (abs(work) + abs(taken)))

    def reduce(self, displacement: Array) -> Array:
        """Nodal displacements to equations."""
        eq = self.model.layout.equation
        reduced = np.zeros(self.model.layout.count)
        reduced[eq[eq >= 0]] = displacement[eq >= 0]
        return reduced

    def equilibrium(self, point: Equilibrium, tool: Engagement | None, travel: float, guess: Array,
                drag: Drag | None = None, rate: bool = False,
                ends: bool = False) -> Equilibrium | None:
        """Newton at a travel from the state of ``point``; None if it finds no equilibrium.

        ``rate``: also how the equilibrium moves on with the travel, where that can be told: against
        a rigid tip it is a difference of two penalties and drowns in the last iteration's error.
        ``ends``: the operation ends here, so the equilibrium must be one to start from again.
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
    """How an equilibrium and the tool's force change with travel, from the tangent factored last.

    K dx/dt = - dr/dt; the tool's part of r is differenced, since every tool knows its forces.
    """
    count, step, lay = system.split, RATE_STEP_MM, system.model.layout

    def feel(place: Array, travel: float) -> tuple[Array, Reading]:
        assert system.tool is not None
        force = np.zeros_like(system.model.patch.control)
        at = system.model.patch.control + lay.spread(place[:count])
        read = system.tool.add(system.model, at, place[count:], travel, force, np.empty(1), False)
        return np.concatenate([lay.gather(force), read.own]), read

    here, now = feel(x, system.travel)
    moved, _ = feel(x, system.travel + step)
    try:
        dx = system.solve((moved - here) / step)
    except SingularTangent:
        return None, None
    _, later = feel(x + step * dx, system.travel + step)
    return dx, (later.force_N - now.force_N) / step
