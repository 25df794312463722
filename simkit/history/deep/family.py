"""Families of released shapes: one loading of one body, released at several travels.

The depth after release as a function of travel jumps where the panel snaps, like a staircase, and
is smooth elsewhere. Shapes are interpolated only between neighbours without a jump between them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from simkit.files import write_arrays
from simkit.history.deep.readings import Array, Reader, Readings, reader_for
from simkit.history.imprint import Progress
from simkit.history.strike import FORCE_N, Blow, set_body
from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.mechanics.stepping.several import release_at
from simkit.repair.workpiece import Workpiece
from simkit.underway import doing

Ints = NDArray[np.int64]
AHEAD_MM = 12.0
"""Travel of a first loading beyond the depth, to allow for springback."""
STAIR_MM, AROUND_MM = 2.0, 15.0
"""Travel between two releases of a first loading; largest half range of travels for a blow whose
travel is roughly known."""
COARSE = AdvanceSettings(first_mm=0.4, largest_mm=2.0)
"""Increments for searches on a coarse mesh."""
STEEPEST_CHANGE_PER_TRAVEL, SLACK_MM = 1.8, 0.4
"""There is no jump between two neighbours if no reading changes by more than
``STEEPEST_CHANGE_PER_TRAVEL`` times the travel between them plus ``SLACK_MM``."""
EXTRAPOLATED_STEPS = 0.5
"""Linear extrapolation beyond the first and last travel, in steps."""


@dataclass(frozen=True)
class Fit:
    """The shape of a family nearest to the readings.

    Travel, mm; its deviations (n,) at the readings, mm; ``rate`` (n,), their derivative by the
    travel; misfit (rms, mm); ``inside``: False if it is at an end of the family.
    """

    travel_mm: float
    d_mm: Array
    rate: Array
    rms_mm: float
    inside: bool


@dataclass(frozen=True)
class Family:
    """Deviations ``d_mm`` (k, n) that a blow leaves at increasing ``travels_mm`` (k,)."""

    blow: Blow
    travels_mm: Array
    d_mm: Array

    def nearest(self, wanted_mm: Array) -> Fit | None:
        """The travel with the smallest misfit, interpolated between neighbours without a jump."""
        t, d = self.travels_mm, self.d_mm
        if t.size == 0:
            return None
        best: Fit | None = None
        for k in range(t.size - 1):
            change = d[k + 1] - d[k]
            if np.abs(change).max() > STEEPEST_CHANGE_PER_TRAVEL * (t[k + 1] - t[k]) + SLACK_MM:
                continue
            share = float(change @ (wanted_mm - d[k]) / max(change @ change, 1e-12))
            low = max(-EXTRAPOLATED_STEPS, -0.8 * t[0] / (t[1] - t[0])) if k == 0 else 0.0
            high = 1.0 + EXTRAPOLATED_STEPS if k == t.size - 2 else 1.0
            best = _better(best, self._between(k, float(np.clip(share, low, high)), wanted_mm))
        for k in range(t.size):
            best = _better(best, Fit(float(t[k]), d[k], np.zeros_like(d[k]),
                                     _rms(d[k] - wanted_mm), 0 < k < t.size - 1))
        return best

    def nearest_at(self, wanted_mm: Array, near: Ints) -> Fit | None:
        """The travel with the smallest misfit at some of the readings; its fit at all of them."""
        here = Family(self.blow, self.travels_mm, self.d_mm[:, near]).nearest(wanted_mm[near])
        if here is None or self.travels_mm.size < 2:
            return None
        t = self.travels_mm
        k = int(np.clip(np.searchsorted(t, here.travel_mm) - 1, 0, t.size - 2))
        return self._between(k, (here.travel_mm - t[k]) / (t[k + 1] - t[k]), wanted_mm)

    def _between(self, k: int, share: float, wanted: Array) -> Fit:
        t, d = self.travels_mm, self.d_mm
        rate = (d[k + 1] - d[k]) / (t[k + 1] - t[k])
        seen = d[k] + share * (d[k + 1] - d[k])
        inside = not (k == 0 and share < 0.0) and not (k == t.size - 2 and share > 1.0)
        return Fit(float(t[k] + share * (t[k + 1] - t[k])), seen, rate, _rms(seen - wanted), inside)


def _better(a: Fit | None, b: Fit) -> Fit:
    # a computed shape without interpolation has no rate: take it only if it is clearly nearer
    if a is None:
        return b
    return b if b.rms_mm < (0.999 if np.any(b.rate) else 0.9) * a.rms_mm else a


def _rms(gap: Array) -> float:
    return float(np.sqrt(np.mean(gap**2)))


class Presses:
    """Computes families on one mesh and keeps them; with a ``store`` also on disk."""

    def __init__(self, work: Workpiece, readings: Readings, settings: AdvanceSettings,
                 progress: Progress, store: Path | None = None) -> None:
        self.work, self.settings, self.progress, self.store = work, settings, progress, store
        self.read: Reader = reader_for(work, readings)
        self.wanted: Array = readings.d_mm[self.read.on]
        self.x_mm, self.y_mm = readings.x_mm[self.read.on], readings.y_mm[self.read.on]
        self.count = 0
        self._after: dict[tuple[Blow, ...], State] = {(): work.model.virgin()}
        model, whole = work.model, hashlib.sha256()
        for part in (model.patch.control, model.layout.equation, model.law, readings.x_mm,
                     readings.y_mm):
            whole.update(np.ascontiguousarray(part).tobytes())
        self.marks = f"{whole.hexdigest()} {model.thickness_mm} {model.layers.heights.size}"

    def family(self, before: tuple[Blow, ...], blow: Blow, travels_mm: Sequence[float]) -> Family:
        """Shapes that ``blow`` leaves at the travels, on the panel after the blows before it."""
        travels = [float(t) for t in travels_mm if t > 0.2]
        file = self._file(before, blow, travels)
        kept = _kept(file)
        self.count += 1
        if kept is None:
            kept = self._pressed(before, blow, travels)
            if file is not None:
                write_arrays(file, {"travels_mm": kept[0], "d_mm": kept[1]})
        family = Family(blow, *kept)
        fit = family.nearest(self.wanted)
        said = "no equilibrium" if fit is None else (
            f"{fit.travel_mm:.1f} mm of travel, {fit.rms_mm:.3f} mm rms")
        self.progress(f"loading {self.count}: {'... and then ' if before else ''}{blow.words()}: "
                      f"{said}")
        return family

    def released(self, blows: tuple[Blow, ...]) -> Fit | None:
        """The shape after blows with exactly their travels; None without an equilibrium."""
        *before, blow = blows
        assert blow.travel_mm is not None
        family = self.family(tuple(before), replace(blow, travel_mm=None), [blow.travel_mm])
        if not family.travels_mm.size:
            return None
        d = family.d_mm[0]
        return Fit(blow.travel_mm, d, np.zeros_like(d), _rms(d - self.wanted), True)

    def against(self, fit: Fit) -> Fit:
        """A fit with its misfit against the present wanted deviations."""
        return replace(fit, rms_mm=_rms(fit.d_mm - self.wanted))

    def _pressed(self, before: tuple[Blow, ...], blow: Blow, travels: Sequence[float]
                 ) -> tuple[Array, Array]:
        """Travels (k,) at which a release found an equilibrium, and the deviations left (k, n)."""
        state = self.after(before)
        rows: list[Array] = []
        reached: list[float] = []
        if state is not None and travels:
            for freed in self._freed(state, blow, travels):
                rows.append(self.read(freed[1]))
                reached.append(freed[0])
        shape = (len(rows), self.wanted.size)
        return np.array(reached), np.array(rows).reshape(shape)

    def _freed(self, state: State, blow: Blow, travels: Sequence[float]
               ) -> list[tuple[float, State]]:
        """States after release at the travels; none if the blow is off the panel."""
        if not self._reaches(blow) or travels[-1] <= 0.0:
            return []
        tool = set_body(self.work, state, blow, travels[-1])
        with doing(f"loading {self.count}, to {travels[-1]:.1f} mm"):
            return [(freed.travel_mm, freed.state) for freed in release_at(
                self.work.model, state, tool, travels, self.settings, FORCE_N)]

    def _reaches(self, blow: Blow) -> bool:
        """Whether a blow's place is on the panel."""
        on = self.work.model.patch.locate(np.array([blow.x_mm]), np.array([blow.y_mm]))[2]
        return bool(on[0])

    def after(self, blows: tuple[Blow, ...]) -> State | None:
        """The panel after blows with their travels; None if one finds no equilibrium."""
        if blows not in self._after:
            state = self.after(blows[:-1])
            if state is None:
                return None
            last = blows[-1]
            assert last.travel_mm is not None
            freed = self._freed(state, last, [last.travel_mm])
            if not freed:
                return None
            self._after[blows] = freed[-1][1]
        return self._after[blows]

    def _file(self, before: tuple[Blow, ...], blow: Blow, travels: Sequence[float]) -> Path | None:
        if self.store is None:
            return None
        what = json.dumps([self.marks, [asdict(b) for b in (*before, blow)], list(travels),
                           self.settings.largest_mm], sort_keys=True)
        return self.store / ("family-" + hashlib.sha256(what.encode()).hexdigest()[:24] + ".npz")


def _kept(file: Path | None) -> tuple[Array, Array] | None:
    if file is None or not file.exists():
        return None
    try:
        with np.load(file) as data:
            return data["travels_mm"], data["d_mm"]
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):  # incomplete: compute again
        return None


def about(presses: Presses, blows: tuple[Blow, ...]) -> tuple[tuple[Blow, ...], Fit] | None:
    """Compute blows, the last one with three travels about its own; return the blows with the best
    travel, and the fit.

    If the best travel is at an end of the three, three more travels about it are computed once.
    """
    *before, blow = blows
    assert blow.travel_mm is not None
    middle, half, found = blow.travel_mm, half_window(blow), None
    for _ in range(2):
        travels = [middle - half, middle, middle + half]
        family = presses.family(tuple(before), replace(blow, travel_mm=None), travels)
        fit = family.nearest(presses.wanted)
        if fit is None:
            return found
        if found is None or fit.rms_mm < found[1].rms_mm:
            found = ((*before, replace(blow, travel_mm=fit.travel_mm)), fit)
        if fit.inside:
            break
        middle = fit.travel_mm
    return found


def half_window(blow: Blow) -> float:
    """Half of the range of travels of `about`, mm."""
    return float(np.clip(0.05 * (blow.travel_mm or 0.0), 0.6, 1.5))


def travels_of(body: Blow, step_mm: float = STAIR_MM) -> list[float]:
    """Travels at which a roughly known blow is released: about its own, or from its depth on."""
    depth = abs(body.depth_mm)
    low, high = max(0.8 * depth, 1.0), 1.1 * depth + AHEAD_MM
    if body.travel_mm is not None:
        around = min(0.5 * body.travel_mm, AROUND_MM)
        low, high = body.travel_mm - around, body.travel_mm + around
    return [float(t) for t in np.arange(low, high, step_mm)]
