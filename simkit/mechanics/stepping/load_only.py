"""A loading without release: the force that a tool needs, and the loaded sheet."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import AdvanceSettings, Load, PathPoint
from simkit.mechanics.stepping.process import Process


@dataclass(frozen=True)
class Loading:
    """Result of a loading.

    Attributes
    ----------
    state : the loaded sheet at the end. The tool is not part of the state: an operation that starts
        from it starts without the tool.
    outcome, reason : how it ended, and the same in words.
    path : its increments.
    force_N, travel_mm : force and travel at the end; peak_N : largest force.
    """

    state: State
    outcome: Outcome
    reason: str
    path: tuple[PathPoint, ...]
    force_N: float
    travel_mm: float
    peak_N: float


def load_only(model: Model, state: State, load: Load, settings: AdvanceSettings) -> Loading:
    """Drive a tool until a limit is met and stop there, with the tool on the sheet.

    Like :func:`simkit.mechanics.stepping.advance.advance` without the release: for a curve of force
    against travel, or the shape under load. To keep a tool on the sheet while other tools work, use
    :func:`simkit.mechanics.stepping.holding.hold`.
    """
    model.sheet_work().forget()
    process = Process(model, settings, state)
    begin = process.rest(load.tool.unknowns)
    if begin is None:
        return Loading(state, Outcome.NO_CONVERGENCE, "the starting state is inverted", (), 0.0,
                       0.0, 0.0)
    loading = LoadingPhase(process, load, begin)
    outcome, reason = loading.run()
    now = loading.now
    return Loading(now.state, outcome, reason, tuple(loading.path), now.reading.force_N, now.travel,
                   now.peak_N)
