"""An operation under way: balances, books of energy and force, snapping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, Reading
from simkit.mechanics.model import Internal, Model, State
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.mechanics.stepping.system import Drag, SheetSystem
from simkit.solve.nonlinear.newton import SingularTangent, newton, work_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Moment:
    """The sheet in balance at one travel.

    Attributes
    ----------
    x : equations, then the tool's own unknowns; state, internal : the sheet.
    tool_nodal : (control points, 3) force of the tool on the sheet, N.
    reading : what the tool feels; travel; negative : negative pivots of the last tangent.
    rate : change of x per mm of travel; slope : change of the force, N/mm; None where not asked.
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


MIDDLE = 0.1
"""Share of its first travel at which a tip touches only the middle of where it goes in."""
RATE_STEP_MM = 1e-5
"""Travel over which a tool's forces are differenced."""


class Process:
    """Runs balances for one operation and keeps its books (private to one call)."""

    def __init__(self, model: Model, settings: AdvanceSettings) -> None:
        self.model, self.settings = model, settings
        self.peak_nodal = self.peak_force = 0.0
        self.work = self.drag = 0.0
        self.iterations = self.cuts = 0
        self.snapped = self.travelling = False

    def rest(self, state: State, unknowns: int) -> Moment | None:
        """The sheet before the tool moves; None if its state is inverted."""
        internal = self.model.internal(state.displacement, state, False)
        if internal is None:
            return None
        x = np.concatenate([self.reduce(state.displacement), np.zeros(unknowns)])
        return Moment(x, state, internal, np.zeros_like(internal.force),
                      Reading(0.0, np.zeros(unknowns)), 0.0)

    def reduce(self, displacement: Array) -> Array:
        """Nodal displacements to equations."""
        eq = self.model.layout.equation
        reduced = np.zeros(self.model.layout.count)
        reduced[eq[eq >= 0]] = displacement[eq >= 0]
        return reduced

    def balance(self, moment: Moment, tool: Engagement | None, travel: float, guess: Array,
                drag: Drag | None = None, rate: bool = False,
                ends: bool = False) -> Moment | None:
        """Newton at a travel from the state of ``moment``; None if it finds no balance.

        ``rate``: also how the balance moves on with the travel, where that can be told: against a
        rigid tip it is a difference of two penalties and drowns in the last iteration's error.
        ``ends``: the operation ends here, so the balance must be one to start from again.
        """
        system = SheetSystem(self.model, moment.state, tool, travel, self.peak_nodal, drag)
        result = newton(system, guess, self.settings.newton if ends else self.settings.passing)
        self.iterations += result.iterations
        if not result.converged or system.internal is None or system.tool_nodal is None:
            return None
        displacement = self.model.layout.spread(result.x[: self.model.layout.count])
        dx, slope = _rate(system, result.x) if rate and tool and tool.unknowns else (None, None)
        return Moment(
            result.x, system.internal.state(displacement), system.internal,
            system.tool_nodal, system.reading or Reading(0.0, np.empty(0)), travel,
            result.negative_pivots, result.iterations, dx, slope)

    def book(self, before: Moment, after: Moment) -> Moment:
        """Accept an increment: add its work (trapezoid) and remember the largest force.

        The work of a tool that travels is force times travel, taken over its whole way instead.
        """
        if not self.travelling:
            moved = after.state.displacement - before.state.displacement
            self.work += 0.5 * float(((before.tool_nodal + after.tool_nodal) * moved).sum())
        self.peak_nodal = max(self.peak_nodal, float(np.linalg.norm(after.tool_nodal)))
        return after

    def settle(self, moment: Moment, tool: Engagement | None, travel: float) -> Moment | None:
        """Let the sheet snap: run downhill against a drag that is taken away step by step.

        The path is that of a strongly damped sheet; every stage is booked, with the energy that
        the drag took. Returns a stable balance without drag, or None.
        """
        bending = self.model.sheet.E_MPa * self.model.thickness_mm**3 / 10.9
        rate, smallest = bending / 20.0**4, bending / 1e4**4
        count = self.model.layout.count
        fails = 0
        for _ in range(120):
            drag = Drag(rate, moment.x[:count])
            guess = moment.x.copy()
            after = self.balance(moment, tool, travel, guess, drag)
            if after is None:
                fails += 1
                rate *= 8.0
                if fails > 12:
                    return None
                continue
            moved = float(np.abs(after.x[:count] - moment.x[:count]).max())
            self._book_drag(moment, after, rate)
            moment = self.book(moment, after)
            if moved < 1e-4 or rate <= smallest:
                final = self.balance(moment, tool, travel, moment.x, ends=True)
                if final is not None and not final.negative:
                    self.snapped = True
                    return self.book(moment, final)
                if rate <= smallest:
                    return None
            rate *= 0.25 if after.iterations <= 5 else 1.0
        return None

    def _book_drag(self, before: Moment, after: Moment, rate: float) -> None:
        count = self.model.layout.count
        system = SheetSystem(self.model, before.state, None, 0.0)
        moved = after.x[:count] - before.x[:count]
        # force rises from 0 to rate * moved while it moves: its own half is taken, as the
        # trapezoid of the tool's work assumes
        self.drag += 0.5 * rate * float((system.weights() * moved * moved).sum())


def _rate(system: SheetSystem, x: Array) -> tuple[Array | None, float | None]:
    """How a balance and the tool's force go on with the travel, from the tangent factored last.

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


def first_touch(process: Process, rest: Moment, tip: Engagement, travel: float) -> Array:
    """First guess at a sheet that a tip has just met: it yields under a force in the middle of
    where the tip would go in, by as much as the tip has travelled. Without it Newton starts from
    the penalty of the whole travel."""
    model = process.model
    system = SheetSystem(model, rest.state, None, 0.0)
    residual = system.evaluate(rest.x, True)
    x = model.patch.control + rest.state.displacement
    push = np.zeros_like(x)
    tip.add(model, x, np.empty(0), MIDDLE * travel, push, np.empty(1), False)
    along = -float((push @ tip.direction).sum())
    if residual is None or along <= 0.0:
        return rest.x
    load = model.layout.gather(-push)
    try:
        system.correction(residual)
        moved = -system.solve(load)
    except SingularTangent:
        return rest.x
    work = work_of(load, moved)
    return rest.x + (travel * along / work) * moved if work > 0.0 else rest.x
