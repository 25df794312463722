"""Reconstruction: a state of the panel, with residual stress, that has the measured shape."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.history.deep.explain import FINE, explain, is_deep, match_limit
from simkit.history.deep.readings import reader_for, readings_of
from simkit.history.given import strike_given
from simkit.history.imprint import Progress, bed_stiffness, deviation_at_gauss, imprint
from simkit.history.marks import marks_of
from simkit.history.pairs import pair_of_balls
from simkit.history.plausible import Plausible, plausible, weights
from simkit.history.search import (
    LONG_LOW_ASPECT,
    Bounds,
    find_low,
    further_blows,
    nudged,
    search,
    second_blow,
)
from simkit.history.strike import KINDS, Blow
from simkit.history.trials import Trial, Trials, carry_out
from simkit.inspection.match import Criteria, Match, judge
from simkit.mechanics.model import State
from simkit.repair.window import SEEN_MM
from simkit.repair.workpiece import Workpiece, make_workpiece

Array = NDArray[np.float64]
TWO_BLOWS_MM = 0.06
"""Misfit of the best single blow above which a second one is placed at the largest difference."""
PAIR_MM = 0.025
"""Misfit of the best single blow above which a pair of balls is tried on a long low: the trials'
own error and the noise of the depths together."""
PAIR_RADIUS_MM = 20.0
"""Radius of both balls of a pair; the depths hardly depend on it."""
SEPARATE_LOW_LENGTHS, MOST_DENTS = 0.6, 24
"""A measured low is a dent of its own if its distance from the first blow is more than 0.6 times
its length at half height. Up to so many dents get a blow each; the imprint makes the others."""
IMPRINT_MATCH_SHARE = 0.8
"""Share of the required match at which the imprint stops, because the depth field itself differs
from the depths that it was made from."""


@dataclass(frozen=True)
class Reconstruction:
    """A panel state that has the measured shape after release.

    Attributes
    ----------
    state : plastic strain, hardening, residual stress and shape.
    method : strike, imprint, blows (given, not searched), natural (nearest to described shapes) or
        virgin (no dent given).
    match : comparison with the depth field, None if nothing was measured.
    blows : the history (empty for imprint); strike_rms_mm : its misfit before the imprint.
    rounds : rounds of the imprint; tried : histories tried.
    plausible : histories that the depth field cannot distinguish from it, itself first.
    told : results of the given blows; faults : what they did not reach.
    unfit : True for an imprint alone on a deep dent, a state that must not be used for predictions.
    marks : remarks on area surplus, stretched sheet, strain outside the law's range.
    """

    state: State
    method: str
    match: Match | None = None
    blows: tuple[Blow, ...] = ()
    strike_rms_mm: float = float("nan")
    rounds: int = 0
    tried: int = 0
    plausible: tuple[Plausible, ...] = ()
    told: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    unfit: bool = False
    marks: tuple[str, ...] = ()

    @property
    def matched(self) -> bool:
        """Whether the panel has the measured shape, or the given blows reached what they should."""
        return not self.faults and (self.match is None or self.match.matched)

    @property
    def rms_mm(self) -> float:
        """Rms difference to the depth field in the damaged region, mm."""
        return 0.0 if self.match is None else self.match.rms_mm

    @property
    def worst_mm(self) -> float:
        """Largest difference to the depth field anywhere, mm."""
        return 0.0 if self.match is None else self.match.worst_mm

    def sentence(self) -> str:
        """The reconstruction in one paragraph of text."""
        return self._how() + "".join(f" {mark}." for mark in self.marks)

    def _how(self) -> str:
        if self.method == "virgin":
            return "No dent given: the panel is undamaged."
        if self.method == "blows":
            text = "Dent made as given: " + "; then ".join(self.told or ("no blow",)) + "."
            return text + "".join(f" NOT as required: {fault}." for fault in self.faults)
        if self.method == "natural":
            return ("Described shape made natural by " + " and then ".join(
                b.words() for b in self.blows) + f": it differs by {self.rms_mm:.2f} mm rms, "
                f"{self.worst_mm:.2f} mm at worst.")
        text = f"Depth field matched to {self.rms_mm:.3f} mm rms ({self.worst_mm:.2f} mm at worst)"
        if self.blows:
            text += (" by a strike of " + " and then ".join(b.words() for b in self.blows)
                     + f" ({self.strike_rms_mm:.2f} mm rms alone)")
        else:
            text += " by imprint alone, which spreads the plastic strain too widely"
            if self.unfit:
                text += ": on a dent this deep it does not predict the effect of a pull"
        if self.matched:
            return text + "."
        why = "" if self.match is None else self.match.reason
        return f"{text.replace('matched to', 'NOT matched:', 1)}: {why}."


def reconstruct(work: Workpiece, fit: Workpiece | None = None,
                progress: Progress = lambda text: None,
                store: Path | None = None) -> Reconstruction:
    """Reconstruct a state with the case's depth field.

    ``fit``: the same case on a coarser mesh, for the search of the strike; ``store``: folder for
    the trials, so that an interrupted search can be resumed.
    """
    done = _reconstructed(work, fit, progress, store)
    return replace(done, marks=marks_of(work, done.state))


def _reconstructed(work: Workpiece, fit: Workpiece | None, progress: Progress,
                   store: Path | None) -> Reconstruction:
    if work.case.dent is not None and work.case.dent.blows:
        return _as_given(work, progress)
    if work.depth is None:
        return Reconstruction(work.model.virgin(), "virgin")
    natural = work.case.dent is not None and work.case.dent.natural
    if work.case.history.method == "strike" and (natural or is_deep(work)):
        done = _deep(work, progress, store)
        if done is not None and natural:
            return replace(done, method="natural", match=_natural(done.match))
        return replace(imprinted(work, progress), unfit=True) if done is None else done
    if work.case.history.method == "strike":
        found, tried = histories(fit or work, progress, store)
        if found:
            done = realise(work, found[0].trial.blows, progress)
            if done is not None:
                return replace(done, tried=tried, plausible=found)
    return imprinted(work, progress)


def _bounds(work: Workpiece) -> Bounds:
    striker = work.case.history.striker
    return Bounds(KINDS if striker.kind == "any" else (striker.kind,), striker.radius_min_mm,
                  striker.radius_max_mm)


def _deep(work: Workpiece, progress: Progress, store: Path | None) -> Reconstruction | None:
    """Blows that explain deep damage; None if no blow finds an equilibrium.

    The remaining misfit is not removed by an imprint, because an imprint on a deep dent falsifies
    the effect of the next pull.
    """
    found = explain(work, work.case.history.match_mm, _bounds(work), progress, store)
    if found is None:
        return None
    alike = (found.found, *found.others)
    shares = weights([found.coarse_mm, *(one.rms_mm for one in found.others)], found.limit_mm)
    return replace(
        _at_readings(work, found.state, found.found.blows), tried=found.loadings,
        plausible=tuple(Plausible(Trial(one.blows, one.fit.d_mm, one.rms_mm), share)
                        for one, share in zip(alike, shares, strict=True)))


def _at_readings(work: Workpiece, state: State, blows: tuple[Blow, ...]) -> Reconstruction:
    """A history of deep damage, compared with the measurement at the readings."""
    assert work.depth is not None
    readings = readings_of(work.depth)
    reader = reader_for(work, readings)
    gap = reader(state) - readings.d_mm[reader.on]
    rms, worst = float(np.sqrt(np.mean(gap**2))), float(np.abs(gap).max())
    limit = match_limit(work.case.history.match_mm, readings)
    match = match_of(work, state)
    why = "" if rms <= limit else f"{rms:.3f} mm rms at the readings, {limit:.3f} allowed"
    match = replace(match, matched=rms <= limit and not match.lost, rms_mm=rms, worst_mm=worst,
                    allowed_mm=limit, reason=match.reason if match.lost else why)
    return Reconstruction(state, "strike", match, blows, rms)


def _natural(match: Match | None) -> Match | None:
    """The match of a described shape made natural: it counts unless the dent is lost."""
    return None if match is None else replace(
        match, matched=not match.lost, reason=match.reason if match.lost else "")


def _as_given(work: Workpiece, progress: Progress) -> Reconstruction:
    """The dent by the case's own blows; it matches by definition if they reach their goals."""
    assert work.case.dent is not None
    made = strike_given(work, work.case.dent.blows or (), progress=progress)
    told = [one.sentence() for one in made.done]
    return Reconstruction(
        made.state, "blows", blows=tuple(one.blow for one in made.done),
        strike_rms_mm=0.0, told=tuple(told), faults=made.faults)


def imprinted(work: Workpiece, progress: Progress = lambda text: None) -> Reconstruction:
    """The shape by imprint alone, without a history."""
    return _closed(work, work.model.virgin(), (), progress)


def histories(work: Workpiece, progress: Progress = lambda text: None,
              store: Path | None = None) -> tuple[tuple[Plausible, ...], int]:
    """Plausible histories of the dent, the chosen one first, and the number of histories tried."""
    history = work.case.history
    trials = Trials(work, progress, store)
    bounds, sign = _bounds(work), -1.0 if history.side == "outside" else 1.0
    if not (sign * trials.wanted).max() > SEEN_MM:
        return (), 0
    found = search(trials, bounds, sign)
    others = _other_dents(work, found[0].blows[0], sign) if found else []
    if others:
        further_blows(trials, found[0], others)
    elif found and found[0].rms_mm > PAIR_MM:
        _two_blows(trials, found[0], sign)
    valid = [t for t in trials.done if t.valid]
    return (plausible(valid) if valid else ()), len(trials.done)


def _two_blows(trials: Trials, single: Trial, sign: float) -> None:
    """Try two blows if the misfit of one is too large: a pair along a long low, or a second blow at
    the largest difference."""
    low, best = find_low(trials, sign), single
    if low.length_mm > LONG_LOW_ASPECT * low.width_mm:
        apart = 0.25 * float(np.sqrt(low.length_mm**2 - low.width_mm**2))
        best = pair_of_balls(trials, (low.x_mm, low.y_mm), low.angle_deg, apart, low.depth_mm,
                             PAIR_RADIUS_MM)
    if min(best.rms_mm, single.rms_mm) > TWO_BLOWS_MM:
        second_blow(trials, single, sign)


def _other_dents(work: Workpiece, first: Blow, sign: float) -> list[tuple[float, float]]:
    """Measured lows (sign -1; +1: highs) that are separate from the first blow, as with hail."""
    apart = []
    for one in work.spots:
        away = np.hypot(one.spot.x_mm - first.x_mm, one.spot.y_mm - first.y_mm)
        if sign * one.spot.height_mm > SEEN_MM and away > SEPARATE_LOW_LENGTHS * one.long_mm:
            apart.append((one.spot.x_mm, one.spot.y_mm))
    return apart[:MOST_DENTS]


def realise(work: Workpiece, blows: tuple[Blow, ...],
            progress: Progress = lambda text: None) -> Reconstruction | None:
    """Compute a history on the fine mesh and remove the remaining misfit by an imprint.

    Returns None if a blow finds no equilibrium.
    """
    if any(support.bent_with_panel for support in work.case.panel.supports):
        work = make_workpiece(work.case)  # beds in their undeformed shape, not of another history
    deep = any(blow.travel_mm is not None for blow in blows)
    state = carry_out(work, blows, settings=FINE) if deep else carry_out(work, blows)
    if state is None:
        return None
    if deep:
        return _at_readings(work, state, blows)
    if len(blows) == 1:
        trials = Trials(work, progress)
        first = trials.seen(blows, state)
        better = (nudged(trials, first),)
        again = carry_out(work, better)
        if again is not None and trials.seen(better, again).rms_mm < first.rms_mm:
            state, blows = again, better
    return _closed(work, state, blows, progress)


def _closed(work: Workpiece, start: State, blows: tuple[Blow, ...],
            progress: Progress) -> Reconstruction:
    """The state ``start`` with its remaining misfit removed by an imprint."""
    model, history = work.model, work.case.history
    wanted, weight = _wanted(work)
    gap = (deviation_at_gauss(model, start) - wanted)[weight > 0.5]
    alone = float(np.sqrt(np.mean(gap**2)))
    narrow = min((one.short_mm for one in work.spots), default=np.inf)
    closed = imprint(model, start, wanted, weight, IMPRINT_MATCH_SHARE * history.match_mm,
                     history.rounds,
                     lambda state: match_of(work, state), bed_stiffness(model, narrow), progress)
    return Reconstruction(closed.state, "strike" if blows else "imprint", closed.match, blows,
                          alone, closed.rounds)


def match_of(work: Workpiece, state: State) -> Match:
    """Comparison of a state of the panel with the case's depth field."""
    assert work.depth is not None
    goal = work.case.goal
    criteria = Criteria(goal.tolerance_mm, work.case.history.match_mm,
                        (*goal.limits, goal.slope_base_mm))
    return judge(work.depth, work.spots, work.close.field(state), work.sampling.field(state),
                 criteria)


def _wanted(work: Workpiece) -> tuple[Array, Array]:
    """Measured deviation at the Gauss points, and its weight: 1 inside the fine window, else 0."""
    assert work.depth is not None
    place, w = work.model.geometry.place, work.window
    x, y = place[..., 0], place[..., 1]
    wanted = work.depth(x.ravel(), y.ravel()).reshape(x.shape)
    inside = (x >= w.x_from) & (x <= w.x_to) & (y >= w.y_from) & (y <= w.y_to)
    return wanted, inside.astype(float)
