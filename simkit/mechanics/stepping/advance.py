"""One operation from engagement to release: advance(model, state, load, settings)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.kernels.blas import one_blas_thread
from simkit.mechanics.contact.engagement import Withdrawal
from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.mechanics.stepping.parting import carried, spent
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import Released, release_tool, travelled_work

Array = NDArray[np.float64]
MOST_REFINEMENTS = 3
"""How often an operation is repeated with finer increments."""
QUARTERING_ERROR_FACTOR = 3.0
"""Energy error over the allowed one above which increments are divided by four instead of two."""


def advance(model: Model, state: State, load: Load, settings: AdvanceSettings) -> Advance:
    """Drive a tool until a limit or the goal is met, then take it away; no argument is changed.

    An increment is halved if Newton's method fails and the next one is longer if it converges
    quickly. If no equilibrium is found or the equilibrium is unstable, the sheet snaps
    (:func:`simkit.mechanics.stepping.snapping.snap_through`). An operation whose energy error is
    above the allowed one is repeated with finer increments; if the error stays too large, the
    outcome says so. If the outcome is not valid, the returned state is the one before.
    """
    return finer(lambda how: _advance(model, state, load, how), settings, state)


def finer(job: Callable[[AdvanceSettings], Advance], settings: AdvanceSettings,
          state: State) -> Advance:
    """Do an operation on a state; repeat it with finer increments while its energy error is above
    the allowed one. If it stays above, the outcome says so and the state is the one before."""
    with one_blas_thread():
        return _refined(job, settings, state)


def _refined(job: Callable[[AdvanceSettings], Advance], settings: AdvanceSettings,
             state: State) -> Advance:
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
    reason = (f"the energy error is {done.energy_error_pct:.1f} %, "
              f"{settings.energy_error_pct:g} % are allowed")
    return replace(done, state=state, outcome=Outcome.BOOKS_OFF, reason=reason, loaded=None,
                   released=None)


def _advance(model: Model, state: State, load: Load, settings: AdvanceSettings,
             careful: bool = False) -> Advance:
    """One operation with given increments; ``careful``: predict the release at every increment."""
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
        return _failed(process, loading, state, "no equilibrium found while the tool was let go")
    # a limit ended the loading, but the released place has passed its goal: load again with a
    # prediction at every increment
    if outcome is not Outcome.REACHED and not loading.careful and loading.passed(free.point.state):
        return _advance(model, state, load, settings, careful=True)
    # the release snapped where the prediction did not: load again with real releases
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
    """The result of an operation with its energies."""
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
        glue=spent(loading.tool), shares_N=carried(process, loading.tool, now))


def loading_work(loading: LoadingPhase) -> float:
    """Work of the tool on the sheet until it is let go, N mm.

    For a body that travels this is force times travel, less the energy of its springs; for others,
    the work of their nodal forces.
    """
    if loading.tool.withdrawal is Withdrawal.DRAWN_BACK:
        return travelled_work(loading.curve) + loading.given - loading.now.reading.held_Nmm
    return loading.now.work


def _as_predicted(process: Process, loading: LoadingPhase, free: Array, outcome: Outcome,
                 reason: str) -> Advance:
    """The result of an operation whose release is taken as predicted, without energies."""
    state = loading.now.internal.state(process.model.layout.spread(free))
    return Advance(state, outcome, reason, tuple(loading.path), loading.now.peak_N,
                   loading.now.travel, iterations=process.iterations, cuts=process.cuts,
                   loaded=loading.now.state, snapped=loading.now.snaps > 0, released=free)


def _failed(process: Process, loading: LoadingPhase, state: State, reason: str) -> Advance:
    """The result of an operation for which no equilibrium was found; the state is that before."""
    return Advance(state, Outcome.NO_CONVERGENCE, reason, tuple(loading.path), loading.now.peak_N,
                   loading.now.travel, iterations=process.iterations, cuts=process.cuts)
