"""One operation from engagement to release: advance(model, state, load, settings)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Withdrawal
from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.mechanics.stepping.parting import spent
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import Released, release_tool, travelled_work

Array = NDArray[np.float64]
MOST_REFINEMENTS = 3
"""How often an operation is done again in finer increments."""
QUARTERING_ERROR_FACTOR = 3.0
"""Error of the books over what is allowed from which increments are quartered, not halved."""


def advance(model: Model, state: State, load: Load, settings: AdvanceSettings) -> Advance:
    """Drive a tool until a limit or the goal is met, then take it away; nothing changes in place.

    Increments halve where Newton fails and grow where it is easy; where no equilibrium is found or
    the equilibrium is unstable, the sheet snaps
    (:func:`simkit.mechanics.stepping.snapping.snap_through`).
    An operation whose energy does not balance as well as asked is done again in finer increments;
    where it still does not, the outcome says so. The returned state is the one before if the
    outcome is not valid.
    """
    return finer(lambda how: _advance(model, state, load, how), settings, state)


def finer(job: Callable[[AdvanceSettings], Advance], settings: AdvanceSettings,
          state: State) -> Advance:
    """An operation on a state, done again in finer increments while its energy does not balance as
    asked; where it still does not, the outcome says so and the state is the one before."""
    done = job(settings)
    for _ in range(MOST_REFINEMENTS):
        if not done.outcome.valid or done.energy_error_pct <= settings.energy_error_pct:
            return done
        share = (4 if done.energy_error_pct > QUARTERING_ERROR_FACTOR * settings.energy_error_pct
                 else 2)
        settings = replace(settings, first_mm=settings.first_mm / share,
                           largest_mm=settings.largest_mm / share,
                           release_steps=share * settings.release_steps)
        again = job(settings)
        again = replace(again, iterations=again.iterations + done.iterations,
                        cuts=again.cuts + done.cuts)
        if again.outcome.valid:
            done = again
    if done.energy_error_pct <= settings.energy_error_pct:
        return done
    reason = (f"the books of energy miss by {done.energy_error_pct:.1f} %, "
              f"{settings.energy_error_pct:g} % are allowed")
    return replace(done, state=state, outcome=Outcome.BOOKS_OFF, reason=reason, loaded=None,
                   released=None)


def _advance(model: Model, state: State, load: Load, settings: AdvanceSettings,
             careful: bool = False) -> Advance:
    model.sheet_work().forget()
    process = Process(model, settings, state)
    begin = process.rest(load.tool.unknowns)
    if begin is None:
        return Advance(state, Outcome.NO_CONVERGENCE, "the starting state is inverted", ())
    loading = LoadingPhase(process, load, begin, careful)
    outcome, reason = loading.run()
    if not outcome.valid:
        return _failed(process, loading, state, reason)
    if settings.release_steps == 0 and not loading.everything_off:
        predicted_free = loading.prediction.follow(loading.now)
        if predicted_free is not None:
            return _as_predicted(process, loading, predicted_free, outcome, reason)
    free = release_tool(process, loading.now, loading.tool, loading.before, loading.predicted_free)
    if free is None:
        return _failed(process, loading, state, "no balance found while the tool was let go")
    if outcome is not Outcome.REACHED and not loading.careful and loading.passed(free.point.state):
        return _advance(model, state, load, settings, careful=True)
    if loading.sprang(free.point.state) and not loading.prediction.led:
        loading.be_led()
        outcome, reason = loading.run()
        end = None
        if outcome.valid:
            end = release_tool(process, loading.now, loading.tool, loading.before)
        if end is None:
            return _failed(process, loading, state, reason)
        free = end
    return _released(process, loading, begin, free, outcome, reason)


def _released(process: Process, loading: LoadingPhase, begin: Equilibrium, free: Released,
              outcome: Outcome, reason: str) -> Advance:
    """The operation with its books."""
    now, last = loading.now, free.point
    count = process.model.layout.count
    put_in = loading_work(loading)
    return Advance(
        state=last.state, outcome=outcome, reason=reason, path=tuple(loading.path),
        force_N=now.peak_N, travel_mm=now.travel, work=put_in + free.work,
        stored=last.internal.stored - begin.internal.stored,
        plastic=last.internal.plastic_work - begin.internal.plastic_work, drag=last.drag,
        standing=begin.internal.held - last.internal.held, put_in=put_in,
        iterations=process.iterations, cuts=process.cuts, loaded=now.state,
        snapped=last.snaps > 0 or loading.sprang(last.state), released=last.x[:count],
        glue=spent(loading.tool))


def loading_work(loading: LoadingPhase) -> float:
    """Work of the tool on the sheet until it is let go, N mm: of a body that travels, force times
    travel less what its springs hold; of others, their nodal forces' own."""
    if loading.tool.withdrawal is Withdrawal.DRAWN_BACK:
        return travelled_work(loading.curve) + loading.given - loading.now.reading.held_Nmm
    return loading.now.work


def _as_predicted(process: Process, loading: LoadingPhase, free: Array, outcome: Outcome,
                 reason: str) -> Advance:
    """The release as it was predicted, without its books."""
    state = loading.now.internal.state(process.model.layout.spread(free))
    return Advance(state, outcome, reason, tuple(loading.path), loading.now.peak_N,
                   loading.now.travel, iterations=process.iterations, cuts=process.cuts,
                   loaded=loading.now.state, snapped=loading.now.snaps > 0, released=free)


def _failed(process: Process, loading: LoadingPhase, state: State, reason: str) -> Advance:
    return Advance(state, Outcome.NO_CONVERGENCE, reason, tuple(loading.path), loading.now.peak_N,
                   loading.now.travel, iterations=process.iterations, cuts=process.cuts)
