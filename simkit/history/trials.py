"""Trials of a search: histories computed on a coarse mesh and compared with the depth field."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from simkit.files import write_arrays
from simkit.history.imprint import Progress
from simkit.history.strike import SEARCH, SETTINGS, Blow, strike
from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.repair.workpiece import Workpiece
from simkit.underway import doing

Array = NDArray[np.float64]
FAILED_MISFIT_MM = 1e3
"""Misfit given to a history for which no equilibrium was found."""
LAST_CORRECTION_MISFIT_SHARE = 0.97
"""Corrections end when the misfit falls by less than 3 %."""


@dataclass(frozen=True)
class Trial:
    """A history, its shape after release inside the window, and its misfit.

    Attributes
    ----------
    blows : blows in their order; d_mm : (places inside,) deviation left.
    rms_mm : misfit against the measured depth field, ``FAILED_MISFIT_MM`` if no equilibrium was
        found.
    """

    blows: tuple[Blow, ...]
    d_mm: Array
    rms_mm: float

    @property
    def valid(self) -> bool:
        """Whether an equilibrium was found."""
        return self.rms_mm < FAILED_MISFIT_MM

    def words(self) -> str:
        """Short description."""
        return " and then ".join(blow.words() for blow in self.blows)


def carry_out(work: Workpiece, blows: tuple[Blow, ...], state: State | None = None,
              final: bool = True, settings: AdvanceSettings = SETTINGS) -> State | None:
    """State after the blows, one after the other; None if one finds no equilibrium."""
    state = work.model.virgin() if state is None else state
    for blow in blows:
        result = strike(work, state, blow, settings if final else SEARCH)
        if not result.outcome.valid:
            return None
        state = result.state
    return state


class Trials:
    """Tries histories and keeps all of them; with a ``store`` also on disk, to resume a search."""

    def __init__(self, work: Workpiece, progress: Progress, store: Path | None = None) -> None:
        assert work.depth is not None
        self.work, self.progress, self.store = work, progress, store
        self.done: list[Trial] = []
        s, w = work.sampling, work.window
        self.x_mm, self.y_mm = s.x_mm, s.y_mm
        xx, yy = np.meshgrid(s.x_mm, s.y_mm)
        self.inside = ((xx >= w.x_from) & (xx <= w.x_to) & (yy >= w.y_from) & (yy <= w.y_to)
                       & s.valid)
        self.x, self.y = xx[self.inside], yy[self.inside]
        self.wanted = work.depth(self.x, self.y)
        model, whole = work.model, hashlib.sha256()
        for part in (model.patch.control, model.layout.equation, model.law, self.wanted):
            whole.update(np.ascontiguousarray(part).tobytes())
        self.marks = f"{whole.hexdigest()} {model.thickness_mm} {model.layers.heights.size}"

    def attempt(self, *blows: Blow) -> Trial:
        """Compute a history on the undamaged panel, or read its result from the store."""
        kept = self._kept(blows)
        if kept is not None:
            self.done.append(kept)
            return kept
        with doing(f"trial {len(self.done) + 1}"):
            state = carry_out(self.work, blows, final=False)
        if state is None:
            trial = Trial(blows, np.zeros_like(self.wanted), FAILED_MISFIT_MM)
        else:
            trial = self.seen(blows, state)
        self.done.append(trial)
        said = f"{trial.rms_mm:.3f} mm rms" if trial.valid else "no equilibrium"
        self.progress(f"trial {len(self.done)}: {trial.words()}: {said}")
        self._keep(trial)
        return trial

    def seen(self, blows: tuple[Blow, ...], state: State) -> Trial:
        """A history computed elsewhere, compared with the depth field."""
        d = self.work.sampling.field(state).d_mm[self.inside]
        return Trial(blows, d, float(np.sqrt(np.mean((d - self.wanted) ** 2))))

    def slopes(self, trial: Trial) -> tuple[Array, Array]:
        """Derivatives of a trial's shape by x and y at the places inside."""
        full = np.zeros(self.inside.shape)
        full[self.inside] = trial.d_mm
        down, across = np.gradient(full, self.y_mm, self.x_mm)
        return across[self.inside], down[self.inside]

    def _file(self, blows: tuple[Blow, ...]) -> Path | None:
        if self.store is None:
            return None
        what = json.dumps([self.marks, [asdict(b) for b in blows]], sort_keys=True)
        return self.store / (hashlib.sha256(what.encode()).hexdigest()[:24] + ".npz")

    def _kept(self, blows: tuple[Blow, ...]) -> Trial | None:
        file = self._file(blows)
        if file is None or not file.exists():
            return None
        try:
            with np.load(file) as data:
                return Trial(blows, data["d_mm"], float(data["rms_mm"]))
        except (OSError, ValueError, KeyError, EOFError, BadZipFile):  # incomplete: compute again
            return None

    def _keep(self, trial: Trial) -> None:
        file = self._file(trial.blows)
        if file is not None:
            write_arrays(file, {"d_mm": trial.d_mm, "rms_mm": trial.rms_mm})


def corrected(trials: Trials, first: Trial, rounds: int, move: Callable[[Trial], tuple[Blow, ...]],
              between: Callable[[Blow, Blow], Blow] | None) -> Trial:
    """Correct a history as long as the misfit falls; return the best one.

    move : gives corrected blows for a computed history; between : mean of two blows, which is tried
    if the whole step does not reduce the misfit (None: not tried).
    """
    best = first
    for _ in range(rounds):
        if not best.valid:
            break
        moved = move(best)
        after = trials.attempt(*moved)
        if not after.rms_mm < best.rms_mm and between is not None:
            after = trials.attempt(*map(between, best.blows, moved))
        if not after.rms_mm < best.rms_mm:
            break
        enough = after.rms_mm > LAST_CORRECTION_MISFIT_SHARE * best.rms_mm
        best = after
        if enough:
            break
    return best
