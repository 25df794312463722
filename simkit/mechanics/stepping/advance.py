"""One operation from engagement to release: advance(model, state, load, settings)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Withdrawal
from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import Drive
from simkit.mechanics.stepping.orders import Advance, AdvanceSettings, Load
from simkit.mechanics.stepping.parting import spent
from simkit.mechanics.stepping.process import Moment, Process
from simkit.mechanics.stepping.release import Released, let_go, travelled_work

Array = NDArray[np.float64]
MOST_REFINEMENTS = 3
"""How often an operation is done again in finer increments."""
QUARTERING_ERROR_FACTOR = 3.0
"""Error of the books over what is allowed from which increments are quartered, not halved."""


def advance(model: Model, state: State, load: Load, settings: AdvanceSettings) -> Advance:
    """Drive a tool until a limit or the goal is met, then take it away; nothing changes in place.

    Increments halve where Newton fails and grow where it is easy; where no balance is found or
    the balance is unstable, the sheet snaps (:func:`simkit.mechanics.stepping.snapping.settle`).
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
    drive = Drive(process, load, begin, careful)
    outcome, reason = drive.run()
    if not outcome.valid:
        return _failed(process, drive, state, reason)
    if settings.release_steps == 0 and not drive.everything_off:
        foreseen = drive.foresight.follow(drive.now)
        if foreseen is not None:
            return _as_foreseen(process, drive, foreseen, outcome, reason)
    free = let_go(process, drive.now, drive.tool, drive.before, drive.foreseen)
    if free is None:
        return _failed(process, drive, state, "no balance found while the tool was let go")
    if outcome is not Outcome.REACHED and not drive.careful and drive.passed(free.moment.state):
        return _advance(model, state, load, settings, careful=True)
    if drive.sprang(free.moment.state) and not drive.foresight.led:
        drive.be_led()
        outcome, reason = drive.run()
        end = let_go(process, drive.now, drive.tool, drive.before) if outcome.valid else None
        if end is None:
            return _failed(process, drive, state, reason)
        free = end
    return _released(process, drive, begin, free, outcome, reason)


def _released(process: Process, drive: Drive, begin: Moment, free: Released, outcome: Outcome,
              reason: str) -> Advance:
    """The operation with its books."""
    now, last = drive.now, free.moment
    count = process.model.layout.count
    put_in = loading_work(drive)
    return Advance(
        state=last.state, outcome=outcome, reason=reason, path=tuple(drive.path),
        force_N=now.peak_N, travel_mm=now.travel, work=put_in + free.work,
        stored=last.internal.stored - begin.internal.stored,
        plastic=last.internal.plastic_work - begin.internal.plastic_work, drag=last.drag,
        standing=begin.internal.held - last.internal.held, put_in=put_in,
        iterations=process.iterations, cuts=process.cuts, loaded=now.state,
        snapped=last.snaps > 0 or drive.sprang(last.state), released=last.x[:count],
        glue=spent(drive.tool))


def loading_work(drive: Drive) -> float:
    """Work of the tool on the sheet until it is let go, N mm: of a body that travels, force times
    travel less what its springs hold; of others, their nodal forces' own."""
    if drive.tool.withdrawal is Withdrawal.DRAWN_BACK:
        return travelled_work(drive.curve) + drive.given - drive.now.reading.held_Nmm
    return drive.now.work


def _as_foreseen(process: Process, drive: Drive, free: Array, outcome: Outcome,
                 reason: str) -> Advance:
    """The release as it was foreseen, without its books."""
    state = drive.now.internal.state(process.model.layout.spread(free))
    return Advance(state, outcome, reason, tuple(drive.path), drive.now.peak_N,
                   drive.now.travel, iterations=process.iterations, cuts=process.cuts,
                   loaded=drive.now.state, snapped=drive.now.snaps > 0, released=free)


def _failed(process: Process, drive: Drive, state: State, reason: str) -> Advance:
    return Advance(state, Outcome.NO_CONVERGENCE, reason, tuple(drive.path), drive.now.peak_N,
                   drive.now.travel, iterations=process.iterations, cuts=process.cuts)
