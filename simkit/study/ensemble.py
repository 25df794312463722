"""One repair on every plausible history of its dent at once: predict, measure, correct.

>>> ensemble = open_histories(work, reconstruction)          # doctest: +SKIP
>>> ensemble.foretell(operation)["low_rise_mm"].high_mm      # doctest: +SKIP
>>> ensemble = ensemble.apply(operation).observe(readings)   # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.case import Case
from simkit.case.vary import with_keys
from simkit.history.calibrated import kind_of, rooms
from simkit.history.plausible import LAW, Band, band
from simkit.history.reconstruct import Reconstruction
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.strategy import Strategy
from simkit.study.doubt import SEEN, rooms_mm
from simkit.study.learn import SHEET_ERRORS, Advice, History, advise, weigh
from simkit.study.readings import as_readings, gauge_noise
from simkit.study.realised import realised

Array = NDArray[np.float64]
NEAR_MM = 15.0
"""A tap as near as this to one that was read is a second tap at its place; a judgement, about the
width of the mark."""


@dataclass(frozen=True)
class Ensemble:
    """A repair carried out on every plausible history of its dent at once. Frozen: each step and
    each set of readings gives a new object.

    Attributes
    ----------
    histories : with the repair done so far and their posterior weights (sum 1).
    strength : (m,) measured over predicted change of the last step with readings, by history.
    said : results of the last readings, in sentences.
    sheets : the same repair on the first history in other sheets; each has one property of ``LAW``
        changed by two standard errors.
    sheet : (m, p) estimated errors of these p properties, in standard errors, by history.
    read : kind and place, x and y in mm, of the last step with readings.
    """

    histories: tuple[History, ...]
    strength: tuple[float, ...]
    said: tuple[str, ...] = ()
    sheets: tuple[Session, ...] = ()
    sheet: tuple[tuple[float, ...], ...] = ()
    read: tuple[str, float, float] | None = None

    @property
    def likeliest(self) -> Session:
        """The repair on the history with the largest weight, for which plans are made."""
        return max(self.histories, key=lambda one: one.weight).session

    def apply(self, operation: Operation) -> Ensemble:
        """The operation on every history. If the hand reached another height than planned, give the
        height reached as the operation's goal."""
        return replace(self, histories=tuple(
            replace(one, session=one.session.apply(operation)) for one in self.histories),
            sheets=tuple(one.apply(operation) for one in self.sheets))

    def next(self, strategy: Strategy) -> Operation | None:
        """The strategy's next operation on the likeliest history; None if it has none."""
        return strategy.next(self.likeliest)

    def foretell(self, operation: Operation, after: Ensemble | None = None) -> dict[str, Band]:
        """Prediction and band of each result of an operation, by column of steps.csv.

        ``after``: the ensemble after this operation, if it is computed already.

        After readings of a tap with the sheet treated separately, the change that each history
        gives to a tap at the same place is scaled by the strength learned from them and corrected
        for the sheet, by the calibrated shares. Else only the weights are changed: what a step
        teaches of another one, elsewhere, is not calibrated (docs/learning.md). The band has the
        margins of the steps done so far, too: the panel that they left is itself a prediction.
        """
        learned = bool(self.sheet) and self._taught_of(operation)
        if after is None:  # the other sheets are needed only for what was learned
            after = (self if learned else replace(self, sheets=())).apply(operation)
        done = [one.session.now.row for one in after.histories]
        others = [one.now.row for one in after.sheets]
        found, beliefs = {}, [one.weight for one in self.histories]
        earlier = rooms_mm([[step.row for step in one.session.steps] for one in self.histories],
                           beliefs)[-1]
        for name in SEEN:
            at_tool = name == "released_mm"
            usual = rooms()[kind_of(operation.kind, at_tool, learned)]
            now = [row.before_mm if at_tool else getattr(one.session.now.row, name)
                   for row, one in zip(done, self.histories, strict=True)]
            change = np.array([getattr(row, name) for row in done]) - now
            if learned and not at_tool:
                off = [getattr(row, name) - getattr(one.now.row, name) - change[0]
                       for row, one in zip(others, self.sheets, strict=False)]
                change = change * (1.0 + usual.carried * (np.array(self.strength) - 1.0))
                change = change + usual.sheet * (
                    np.array(self.sheet) @ np.array(off) / SHEET_ERRORS)
            found[name] = _level(now, change, beliefs, usual.room_share, earlier[name])
        return found

    def unread(self, weights: Sequence[float]) -> Ensemble:
        """The same repair with these weights, as if nothing had been read."""
        return replace(self, histories=tuple(
            replace(one, weight=weight) for one, weight in
            zip(self.histories, weights, strict=True)), sheet=(), read=None, said=())

    def _taught_of(self, operation: Operation) -> bool:
        """Whether the readings were of a step from which an operation like this was calibrated: a
        tap, and for another tap one near its place."""
        if self.read is None or self.read[0] != "tap-down":
            return False
        apart = np.hypot(operation.x_mm - self.read[1], operation.y_mm - self.read[2])
        return operation.kind != "tap-down" or bool(apart <= NEAR_MM)

    def observe(self, readings: ArrayLike, noise_mm: float | None = None,
                step: int | None = None) -> Ensemble:
        """Weigh the histories by readings after a real step (None: the last step).

        Parameters
        ----------
        readings : (n, 3) x, y and deviation after the step, or (n, 4) x, y, deviation before and
            after it, mm. noise_mm : standard error of a reading; None: that of the case's depths.

        Raises
        ------
        InputError : no such step, a reading off the panel, readings of another panel.
        """
        session = self.histories[0].session
        noise = gauge_noise(session.work.case, noise_mm)
        step = step or session.now.row.step
        found, told = weigh(self.histories, step, as_readings(readings, noise), self.sheets)
        of = session.steps[step].row
        return Ensemble(tuple(replace(one, weight=weight) for one, weight in
                              zip(self.histories, found.weights, strict=True)),
                        found.strength, told, self.sheets, found.sheet if self.sheets else (),
                        (of.operation, of.x_mm, of.y_mm))

    def advise(self, noise_mm: float = 0.02) -> list[Advice]:
        """Light taps that distinguish the histories best, and the places of readings after them."""
        return advise(self.histories, noise_mm, lambda text: None)


def open_histories(work: Workpiece, done: Reconstruction,
                   progress: Callable[[str], None] = lambda text: None, sheets: bool = True,
                   workers: int = 1) -> Ensemble:
    """The dent as every plausible history of a reconstruction made it, ready for repair.

    Each history is computed in full. Those that do not give the measured dent are left out.
    ``sheets``: compute the first history also in a harder and in a thicker sheet, so that the
    effect of the sheet can be separated from that of the history. ``workers``: number of processes
    that share this work; with more than one, a script that calls this needs the usual guard
    ``if __name__ == "__main__":``.

    Raises
    ------
    WorkerLost : a worker process ended without a result.
    """
    first = History(done.plausible[0].trial.words() if done.plausible else "the only history",
                    1.0, open_session(work, done.state, matched=done.matched))
    others, panels = done.plausible[1:], _other_sheets(work.case) if sheets else []
    jobs = [*((work, one.trial.blows) for one in others), *((one, done.blows) for one in panels)]
    made = dict(realised(jobs, progress, workers))
    found, weights = [first], [done.plausible[0].weight if done.plausible else 1.0]
    for k, one in enumerate(others):
        dent = made[k]
        if dent is None or not dent.matched:
            progress(f"{one.trial.words()}: does not give the measured dent")
            continue
        found.append(History(one.trial.words(), one.weight, open_session(work, dent.state)))
        weights.append(one.weight)
    shares = np.array(weights) / np.sum(weights)
    in_sheets = [open_session(panel, dent.state) for k, panel in enumerate(panels, len(others))
                 if (dent := made[k]) is not None]
    return Ensemble(tuple(replace(one, weight=float(share))
                          for one, share in zip(found, shares, strict=True)), (1.0,) * len(found),
                    sheets=tuple(in_sheets) if len(in_sheets) == len(panels) else ())


def _other_sheets(case: Case) -> list[Workpiece]:
    """The panel in sheets changed by two standard errors."""
    return [make_workpiece(with_keys(case, {
        f"panel.{key}": getattr(case.panel, key) * (1.0 + 0.01 * SHEET_ERRORS * pct)}))
        for key, pct in (("flow_stress_pct", LAW["flow stress"]),
                         ("thickness_mm", LAW["thickness"]))]


def _level(now_mm: Sequence[float], change_mm: Array, belief: Sequence[float], room_share: float,
           margin_mm: float) -> Band:
    """Band of a result from its present value and its change in each history, and the margin of
    the present value."""
    now = float(np.array(now_mm) @ np.array(belief))
    seen = band(change_mm, belief, max(room_share, 0.0))
    return Band(now + seen.predicted_mm, now + seen.low_mm - margin_mm,
                now + seen.high_mm + margin_mm)
