"""Releases at several travels of one loading: a family of released shapes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.model import Model, State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.loading import LoadingPhase
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.mechanics.stepping.process import Process
from simkit.mechanics.stepping.release import release_tool


@dataclass(frozen=True)
class LetGo:
    """A tool let go at a travel: force before release, state after it, iterations so far."""

    travel_mm: float
    force_N: float
    state: State
    iterations: int


def release_at(model: Model, state: State, tool: Engagement, travels_mm: Sequence[float],
              settings: AdvanceSettings, force_N: float = np.inf) -> Iterator[LetGo]:
    """Drive a tool through increasing travels; at each one compute the release, then go on loading.

    A travel whose release finds no equilibrium is left out; the first travel that cannot be reached
    ends the loading.
    """
    model.sheet_work().forget()
    process = Process(model, settings, state)
    begin = process.rest(tool.unknowns)
    if begin is None:
        return
    load = Load(tool, travels_mm[0], force_N)
    loading = LoadingPhase(process, load, begin)
    for travel in travels_mm:
        loading.load = replace(load, travel_mm=travel)
        outcome, _ = loading.run()
        if outcome is not Outcome.TRAVEL_LIMIT:
            return
        aside = Process(model, settings, state)
        free = release_tool(aside, loading.now, loading.tool, loading.before)
        process.iterations += aside.iterations
        if free is not None:
            yield LetGo(travel, loading.now.reading.force_N, free.point.state, process.iterations)
