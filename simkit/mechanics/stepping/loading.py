"""The loading phase of an operation: increments, release prediction and limits.

The release is predicted only at increments where it may matter. If the prediction is beyond the
goal, the loading returns to the last checkpoint and goes on with a shorter increment.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement, TipContact
from simkit.mechanics.contact.tips import DEEPEST_MM
from simkit.mechanics.model import State, largest_face_strain
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping import parting
from simkit.mechanics.stepping.checkpoint import LEAST_STEP_MM, Checkpoint
from simkit.mechanics.stepping.guess import guess_ahead
from simkit.mechanics.stepping.limits import LIMIT_SHARE, Approach, Limit, goal_passed, limits_at
from simkit.mechanics.stepping.orders import Load, PathPoint
from simkit.mechanics.stepping.prediction import ReleasePrediction
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import Curve
from simkit.mechanics.stepping.snapping import snap_through
from simkit.underway import beat

Array = NDArray[np.float64]
REAL_RELEASE_STEP_MM = 0.1
"""As LEAST_STEP_MM where every prediction is a real release, which may jump there."""
SNAPPED_DISTANCE_MM = 0.1
"""Distance of the released place from its prediction above which the sheet has snapped."""


class LoadingPhase:
    """The loading phase of an operation.

    given: energy added by changes of contact penalty and face offset, N mm; mark, sure: last
    checkpoint with a prediction, with a real release; pace, yielding: change of the prediction per
    travel and per plastic work (1/N); over: travel at which a real release was beyond the goal, mm;
    careful: predict at every increment; sign: +1 if the deviation must rise; strained: largest
    face strain before.
    """

    def __init__(self, process: Process, load: Load, begin: Equilibrium,
                 careful: bool = False) -> None:
        self.process, self.load = process, load
        self.tool: Engagement = load.tool
        self.now, self.before = begin, begin
        self.path: list[PathPoint] = []
        self.curve: Curve = [(0.0, 0.0, None)]
        self.given = 0.0
        self.shortest = min(process.settings.smallest_share * load.travel_mm, LEAST_STEP_MM)
        self.approach = Approach()
        self.pace, self.yielding, self.over = np.nan, np.nan, np.inf
        self.judged: tuple[Equilibrium, list[Limit]] | None = None
        self.careful = careful
        self.everything_off = load.everything_off and bool(begin.state.standing)
        self.start_mm = left = self._loaded(begin)
        self.prediction = ReleasePrediction(process, begin, self.everything_off)
        if self.everything_off:
            free = self.prediction.forecast.follow(begin)
            left = left if free is None else self._read(free)
        self.sign = 1.0 if load.goal_mm is None or load.goal_mm >= left else -1.0
        self.mark = self.sure = self._marked(begin, left)
        self.strained = (largest_face_strain(process.model, begin.state)
                         if np.isfinite(load.face_strain) else 0.0)

    @property
    def predicted(self) -> float:
        """Last prediction of the deviation of the place after release, mm."""
        return self.mark.predicted_mm

    @property
    def predicted_free(self) -> Array | None:
        """Equations of the free shape predicted for the present equilibrium, or None."""
        return self.prediction.behind(self.now)

    def run(self) -> tuple[Outcome, str]:
        """Do increments until a limit or the goal ends the loading; return outcome and reason."""
        settings, load = self.process.settings, self.load
        step, smallest = min(settings.first_mm, load.travel_mm), self.shortest
        while self.process.iterations <= settings.most_iterations:
            travel = min(self.now.travel + step, load.travel_mm)
            beat(f"{travel:.2f} mm of travel, {self.now.reading.force_N:.0f} N")
            after = self._increment(travel)
            if after is None:
                self.process.cuts += 1
                step *= 0.5
                if step >= parting.least_step(self.now, smallest):
                    continue
                if parting.parts_suddenly(self.process, self.tool, self.now, step):
                    return Outcome.GLUE_LET_GO, parting.in_words(self.tool, self.now)
                after = snap_through(self.process, self.now, self.tool,
                               min(self.now.travel + smallest, load.travel_mm))
                if after is None:
                    return Outcome.NO_CONVERGENCE, (
                        f"no equilibrium beyond a travel of {self.now.travel:.3g} mm")
                step = settings.first_mm
            if after.reading.penetration_mm > DEEPEST_MM and isinstance(self.tool, TipContact):
                self._stiffen(self.tool)
                continue
            predicted = self._predict(after)
            if self._jumped(predicted):
                step = self._go_back(after, predicted)
                continue
            ending, shrink = self._judge(after, predicted)
            if ending is None and shrink < 1.0:
                step = shrink * (after.travel - self.now.travel)
                continue
            if ending is not None or self._used_up(after):
                after = self._tightened(after)
            if ending is None or ending.outcome is not Outcome.WOULD_SNAP or not self.path:
                self._accept(after, predicted)
            if ending is not None:
                return ending.outcome, ending.reason
            if parting.peeled_off(self.tool, self.now):
                return Outcome.GLUE_LET_GO, parting.in_words(self.tool, self.now)
            if self._used_up(self.now):
                return Outcome.TRAVEL_LIMIT, f"travel of {load.travel_mm:.3g} mm used up"
            step = self._next_step(step, after)
        return Outcome.NO_CONVERGENCE, "more iterations than a search may spend"

    def _used_up(self, point: Equilibrium) -> bool:
        return point.travel >= self.load.travel_mm * (1.0 - 1e-12)

    def _tightened(self, after: Equilibrium) -> Equilibrium:
        """The same equilibrium iterated to the tighter tolerance of the end of an operation."""
        end = self.process.equilibrium(self.now, self.tool, after.travel, after.x, ends=True)
        if end is None or after.snaps > self.now.snaps:
            return after
        return replace(end, iterations=after.iterations + end.iterations)

    def _stiffen(self, tip: TipContact) -> None:
        """Raise the contact penalty and add the work of its springs on the sheet to ``given``."""
        self.tool, now = tip.stiffer(), self.now
        if now.reading.force_N <= 0.0:
            return
        after = self.process.equilibrium(now, self.tool, now.travel, now.x, rate=True)
        if after is None:
            return
        moved = after.state.displacement - now.state.displacement
        self.given += 0.5 * float(((now.tool_nodal + after.tool_nodal) * moved).sum())
        self.given += after.reading.held_Nmm - now.reading.held_Nmm
        self.now = after

    def _increment(self, travel: float) -> Equilibrium | None:
        """The equilibrium at a travel; None if it is not found or lies on another branch."""
        now = self.now
        guess = guess_ahead(self.process, now, self.before, self.tool, travel)
        after = self.process.equilibrium(now, self.tool, travel, guess, rate=True)
        if after is None and guess is not now.x:
            after = self.process.equilibrium(now, self.tool, travel, now.x, rate=True)
        if after is None or (after.snaps == now.snaps and self.process.jumped(now, after)):
            return None
        if after.negative and self.tool.unknowns == 0:
            return snap_through(self.process, now, self.tool, travel)
        return after

    def passed(self, state: State) -> bool:
        """Whether a released sheet is beyond the goal by more than the tolerance."""
        if self.load.probe is None or self.load.goal_mm is None or self.everything_off:
            return False
        beyond = self.sign * (self.load.probe.read(state.displacement) - self.load.goal_mm)
        return beyond > self.process.settings.goal_tolerance_mm

    def sprang(self, state: State) -> bool:
        """Whether a released sheet is far from its prediction: it snapped during the release."""
        if (self.load.probe is None or self.mark.point is not self.now or self.everything_off):
            return False
        return abs(self.load.probe.read(state.displacement) - self.predicted) > SNAPPED_DISTANCE_MM

    def _predict(self, after: Equilibrium) -> float:
        """Predicted deviation after release, mm; nan if it was not predicted."""
        if self.load.probe is None or self.load.goal_mm is None:
            return np.nan
        if after.internal.plastic_work <= self.mark.spent and not self.prediction.doubtful(after):
            return self.predicted
        if not self.careful and not self._due(after):
            return np.nan
        free = self.prediction.look(after, self.tool)
        return np.nan if free is None else self._read(free)

    def _read(self, equations: Array) -> float:
        """Deviation of the place in a shape given by its equations, mm."""
        assert self.load.probe is not None
        return self.load.probe.read(self.process.model.layout.spread(equations))

    def _due(self, after: Equilibrium) -> bool:
        """Whether the released shape may be near the goal, so that a prediction is worth its cost.

        Where a limit ends the loading, no prediction is needed: the release itself comes next.
        """
        goal, spent = self.load.goal_mm, after.internal.plastic_work
        assert goal is not None
        return (self.mark.outdated(goal, self._loaded(after), spent, self.yielding)
                and max(limit.share for limit in self._limits(after)) < 1.0 - LIMIT_SHARE)

    def _jumped(self, predicted: float) -> bool:
        """Whether the goal was passed since a checkpoint before the last increment."""
        if self.load.goal_mm is None or self.now is self._trusted().point:
            return False
        return (self.sign * (predicted - self.load.goal_mm)
                > self.process.settings.goal_tolerance_mm)

    def _go_back(self, after: Equilibrium, predicted: float) -> float:
        """Return to the last checkpoint that can be trusted and predict at every increment from
        there; the next increment, mm."""
        mark, goal = self._trusted(), self.load.goal_mm
        assert goal is not None
        if mark is not self.mark:
            self.be_led()
        else:
            mark = self._marked_here(predicted)
        share = (goal - mark.predicted_mm) / (predicted - mark.predicted_mm)
        step = float(np.clip(share, 0.05, 0.95)) * (after.travel - mark.point.travel)
        self._return_to(mark)
        return min(step, self.process.settings.largest_mm)

    def _marked_here(self, beyond: float) -> Checkpoint:
        """A checkpoint at the last accepted increment if the goal lies after it, else the last one.

        One more prediction costs less than repeating increments."""
        goal = self.load.goal_mm
        assert goal is not None
        free = self.prediction.look(self.now, self.tool)
        here = np.nan if free is None or self.prediction.sure else self._read(free)
        if self.sign * (goal - here) > 0.0 and self.sign * (beyond - here) > 0.0:
            return self._marked(self.now, here)
        return self.mark

    def be_led(self) -> None:
        """Return to the last real release and use only real releases from there."""
        self.prediction.led = True
        self._return_to(self.sure)

    def _return_to(self, mark: Checkpoint) -> None:
        self.mark, self.careful = mark, True
        self.now, self.before, self.tool = mark.point, mark.before, mark.tool
        self.given = mark.given
        self.approach.back_to(mark.increments)
        del self.path[mark.increments:], self.curve[mark.increments + 1:]

    def _trusted(self) -> Checkpoint:
        """The last checkpoint whose prediction is of the same kind as the present one."""
        return self.sure if self.prediction.sure else self.mark

    def _loaded(self, point: Equilibrium) -> float:
        probe = self.load.probe
        return np.nan if probe is None else probe.read(point.state.displacement)

    def _marked(self, point: Equilibrium, predicted: float) -> Checkpoint:
        return Checkpoint(self._loaded(point), predicted, point.internal.plastic_work, point,
                    self.before, self.tool, self.given, len(self.path))

    def _limits(self, after: Equilibrium) -> list[Limit]:
        if self.judged is None or self.judged[0] is not after:
            self.judged = (after, limits_at(self.process.model, self.load, after,
                                            self.strained, self.start_mm))
        return self.judged[1]

    def _judge(self, after: Equilibrium, predicted: float) -> tuple[Limit | None, float]:
        """The limit that ends the loading, and a factor for a shorter increment (1: accept)."""
        shrink = parting.shorter(self.now, after)
        for limit in self._limits(after):
            last = self.approach.share(limit.outcome)
            too_far: bool = limit.share > 1.0 + limit.near and limit.share > last
            if too_far:
                shrink = min(shrink, float(max((1.0 - last) / (limit.share - last), 0.05)))
                too_far = (after.travel - self.now.travel) * shrink >= self.shortest
            if not too_far and limit.share >= 1.0 - limit.near:
                return limit, 1.0
        if np.isfinite(predicted) and self.load.goal_mm is not None:
            tolerance = self.process.settings.goal_tolerance_mm
            beyond = self.sign * (predicted - self.load.goal_mm)
            if abs(beyond) <= tolerance:
                return Limit(Outcome.REACHED, 1.0, "predicted release meets the goal"), 1.0
            if beyond > tolerance:
                made = self.sign * (predicted - self.predicted)
                wanted = self.sign * (self.load.goal_mm - self.predicted)
                share = wanted / max(made, 1e-12)
                if self.prediction.led:  # the release may snap anywhere in between: bisect
                    self.over, share = after.travel, 0.5
                shrink = min(shrink, float(np.clip(share, 0.05, 0.95)))
                closest = REAL_RELEASE_STEP_MM if self.prediction.led else LEAST_STEP_MM
                if (after.travel - self.now.travel) * shrink <= closest:
                    return goal_passed(self.load, self.predicted, predicted, beyond), 1.0
        return None, shrink

    def _accept(self, after: Equilibrium, predicted: float) -> None:
        process, read = self.process, after.reading
        self.before, self.now = self.now, after
        self.curve.append((after.travel, read.force_N, after.slope))
        if isinstance(self.tool, TipContact):
            thinner = self.tool.on(process.model, after.state)
            self.given += (thinner.held(process.model, after.x, after.travel)
                           - self.tool.held(process.model, after.x, after.travel))
            self.tool = thinner
        self.tool = parting.committed(process, self.tool, after)
        self.approach.note(after.travel, self._limits(after))
        self.path.append(PathPoint(after.travel, read.force_N, predicted, after.iterations,
                                   read.penetration_mm, read.damage, read.parted,
                                   self.load.watch(after.state)))
        if np.isfinite(predicted):
            if after.internal.plastic_work > self.mark.spent:
                self.yielding = abs(predicted - self.predicted) / (
                    after.internal.plastic_work - self.mark.spent)
            self.pace = (predicted - self.predicted) / (after.travel - self.mark.point.travel)
            self.mark = self._marked(after, predicted)
            if self.prediction.sure:
                self.sure = self.mark

    def _next_step(self, step: float, after: Equilibrium) -> float:
        """Length of the next increment, mm, from the iterations of the last and the way left."""
        settings = self.process.settings
        if after.iterations <= settings.easy_iterations:
            step *= 1.6
        elif after.iterations >= settings.hard_iterations:
            step *= 0.6
        step = min(step, settings.largest_mm, self.approach.way_left(),
                   parting.glue_step(self.before, self.now), 0.5 * (self.over - self.now.travel))
        if self.load.goal_mm is not None and self.sign * self.pace > 1e-6:
            to_go = (self.load.goal_mm - self.predicted) / self.pace
            step = min(step, max(self.mark.point.travel + to_go - self.now.travel, 0.02))
        return step
