"""Hold and let down: a loading whose force stays as a standing load, and its later release."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Reading
from simkit.mechanics.contact.holding import Hold, stand
from simkit.mechanics.model import Model, State, held_force
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.standing import Standing
from simkit.mechanics.stepping.advance import finer, loading_work
from simkit.mechanics.stepping.letdown import fade_standing
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.mechanics.stepping.parting import carried, spent
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import Released, release_tool
from simkit.mechanics.stepping.snapping import snap_through

Array = NDArray[np.float64]
LOST = (Outcome.GLUE_LET_GO, Outcome.WOULD_SNAP)
"""Outcomes after which nothing is held: the tool is let go as at the end of a pull."""


def hold(model: Model, state: State, load: Load, how: Hold,
         settings: AdvanceSettings) -> Advance:
    """Drive a tool until the force or height of its load is reached, and leave it there.

    A following hold keeps its force: if the sheet is unstable under it, it snaps, and the result
    says so. If the glue lets go first, nothing is held.
    """
    return finer(lambda s: _hold(model, state, load, how, s), settings, state)


def let_down(model: Model, state: State, names: Collection[str] | None,
             settings: AdvanceSettings) -> Advance:
    """Reduce the standing loads of these names (None: all) to zero together."""
    return finer(lambda s: _let_down(model, state, names, s), settings, state)


def _hold(model: Model, state: State, load: Load, how: Hold,
          settings: AdvanceSettings) -> Advance:
    model.sheet_work().forget()
    process = Process(model, settings, state)
    begin = process.rest(load.tool.unknowns)
    if begin is None:
        return Advance(state, Outcome.NO_CONVERGENCE, "the starting state is inverted", ())
    loading = LoadingPhase(process, load, begin)
    outcome, reason = loading.run()
    end = None
    if outcome.valid:
        if outcome in LOST:
            end = release_tool(process, loading.now, loading.tool, loading.before,
                               loading.predicted_free)
        else:
            end = _stay(process, loading, how)
            if outcome is Outcome.FORCE_LIMIT:
                outcome, reason = Outcome.REACHED, f"holds {loading.now.reading.force_N:.0f} N"
    if end is None:
        return Advance(state, Outcome.NO_CONVERGENCE, reason, tuple(loading.path),
                       loading.now.peak_N, loading.now.travel, iterations=process.iterations,
                       cuts=process.cuts)
    put_in = loading_work(loading)
    books = booked(process, begin, Released(end.point, put_in + end.work), state.standing)
    return replace(books, outcome=outcome, reason=reason, path=tuple(loading.path),
                   force_N=loading.now.peak_N, travel_mm=loading.now.travel, put_in=put_in,
                   loaded=loading.now.state, glue=spent(loading.tool),
                   shares_N=carried(process, loading.tool, loading.now))


def _stay(process: Process, loading: LoadingPhase, how: Hold) -> Released | None:
    """The equilibrium under the tool as a standing load; the sheet snaps if that is unstable."""
    model, now = process.model, loading.now
    held = stand(model, loading.tool, now.x, now.tool_nodal, now.travel, how)
    state = replace(now.state, standing=(*now.state.standing, held))
    count = model.layout.count
    internal = model.internal(state.displacement, state, False)
    if internal is None:
        return None
    there = replace(now.alone(count), state=state, internal=internal,
                    tool_nodal=np.zeros_like(now.tool_nodal),
                    reading=Reading(0.0, np.empty(0)))
    end = process.equilibrium(there, None, 0.0, there.x, ends=True)
    if end is None or end.negative:
        end = snap_through(process, there, None, 0.0)
    if end is None:
        return None
    # the work of the new standing load from here on belongs to this operation
    return Released(end, standing_work(model, (held,), there.state, end.state))


def _let_down(model: Model, state: State, names: Collection[str] | None,
              settings: AdvanceSettings) -> Advance:
    model.sheet_work().forget()
    process = Process(model, settings, state)
    begin = process.rest(0)
    if begin is None:
        return Advance(state, Outcome.NO_CONVERGENCE, "the starting state is inverted", ())
    gone = [held for held in state.standing if names is None or held.name in names]
    end = fade_standing(process, begin, gone)
    if end is None:
        return Advance(state, Outcome.NO_CONVERGENCE, "no equilibrium found while let down", (),
                       iterations=process.iterations, cuts=process.cuts)
    words = ", ".join(held.name for held in gone) or "nothing"
    return replace(booked(process, begin, end, end.point.state.standing), loaded=state,
                   reason=f"{words} let down",
                   force_N=held_force(model, replace(state, standing=tuple(gone))))


def booked(process: Process, begin: Equilibrium, done: Released,
           stood: tuple[Standing, ...]) -> Advance:
    """The energies of an operation that ends at an equilibrium.

    ``stood``: standing loads that acted during the operation; their work is kept apart from that
    of its tool.
    """
    end = done.point
    return Advance(
        end.state, Outcome.REACHED, "", (), work=done.work,
        stored=end.internal.stored - begin.internal.stored,
        plastic=end.internal.plastic_work - begin.internal.plastic_work, drag=end.drag,
        standing=standing_work(process.model, stood, begin.state, end.state),
        iterations=process.iterations, cuts=process.cuts, snapped=end.snaps > 0,
        released=end.x[: process.model.layout.count])


def standing_work(model: Model, standing: tuple[Standing, ...], begin: State,
                  end: State) -> float:
    """Work of standing loads on the sheet from one state to another, N mm."""
    def potential(displacement: Array) -> float:
        waste = np.zeros_like(displacement)
        return sum(held.add(model.patch.control, displacement, model.element_points,
                            model.layout.places, waste, np.empty(1), False) for held in standing)

    return potential(begin.displacement) - potential(end.displacement)
