"""One operation from engagement to release: advance(model, state, load, settings)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import Drive
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.mechanics.stepping.process import Process
from simkit.mechanics.stepping.release import TRAVELLING, let_go, travelled_work

Array = NDArray[np.float64]
FINER = 2
"""How often an operation is done again with increments half as long."""


def advance(model: Model, state: State, load: Load, settings: AdvanceSettings) -> Advance:
    """Drive a tool until a limit or the goal is met, then take it away; nothing changes in place.

    Increments halve where Newton fails and grow where it is easy; where no balance is found or
    the balance is unstable, the sheet snaps (:meth:`Process.settle`). An operation whose energy
    does not balance as well as asked is done again in finer increments. The returned state is
    the one before if the outcome is not valid.
    """
    return finer(lambda how: _advance(model, state, load, how), settings)


def finer(job: Callable[[AdvanceSettings], Advance], settings: AdvanceSettings) -> Advance:
    """An operation, done again in finer increments while its energy does not balance as asked."""
    done = job(settings)
    for _ in range(FINER):
        if not done.outcome.valid or done.energy_error_pct <= settings.energy_error_pct:
            break
        settings = replace(settings, first_mm=0.5 * settings.first_mm,
                           largest_mm=0.5 * settings.largest_mm,
                           release_steps=2 * settings.release_steps)
        again = job(settings)
        if not again.outcome.valid:
            break
        done = replace(again, iterations=again.iterations + done.iterations,
                       cuts=again.cuts + done.cuts)
    return done


def _advance(model: Model, state: State, load: Load, settings: AdvanceSettings,
             careful: bool = False) -> Advance:
    model.sheet_work().forget()
    process = Process(model, settings)
    begin = process.rest(state, load.tool.unknowns)
    if begin is None:
        return Advance(state, Outcome.NO_CONVERGENCE, "the starting state is inverted", ())
    drive = Drive(process, load, begin, careful)
    process.travelling = isinstance(load.tool, TRAVELLING)
    outcome, reason = drive.run()
    if not outcome.valid:
        return _failed(process, drive, state, reason)
    if settings.release_steps == 0 and not drive.everything_off:
        foreseen = drive.forecast.follow(drive.now)
        if foreseen is not None:
            return _as_foreseen(process, drive, foreseen, outcome, reason)
    if process.travelling:
        process.work += travelled_work(drive.curve)
        process.work += drive.given - drive.now.reading.held_Nmm
    free = let_go(process, drive.now, drive.tool, drive.before, drive.foreseen)
    if free is None:
        return _failed(process, drive, state, "no balance found while the tool was let go")
    if outcome is not Outcome.REACHED and not drive.careful and drive.passed(free.state):
        return _advance(model, state, load, settings, careful=True)
    count = model.layout.count
    return Advance(
        state=free.state, outcome=outcome, reason=reason, path=tuple(drive.path),
        force_N=process.peak_force, travel_mm=drive.now.travel, work=process.work,
        stored=free.internal.stored - begin.internal.stored,
        standing=begin.internal.held - free.internal.held,
        plastic=free.internal.plastic_work - begin.internal.plastic_work, drag=process.drag,
        iterations=process.iterations, cuts=process.cuts, loaded=drive.now.state,
        snapped=process.snapped or drive.sprang(free.state), released=free.x[:count])


def _as_foreseen(process: Process, drive: Drive, free: Array, outcome: Outcome,
                 reason: str) -> Advance:
    """The release as it was foreseen, without its books."""
    state = drive.now.internal.state(process.model.layout.spread(free))
    return Advance(state, outcome, reason, tuple(drive.path), process.peak_force,
                   drive.now.travel, iterations=process.iterations, cuts=process.cuts,
                   loaded=drive.now.state, released=free)


def _failed(process: Process, drive: Drive, state: State, reason: str) -> Advance:
    return Advance(state, Outcome.NO_CONVERGENCE, reason, tuple(drive.path), process.peak_force,
                   drive.now.travel, iterations=process.iterations, cuts=process.cuts)


