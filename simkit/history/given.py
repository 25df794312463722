"""A dent given by the blows that made it: they are computed in their order, without a search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import RectBivariateSpline

from simkit.case.blows import GivenBlow
from simkit.dent.field import DepthField
from simkit.history.imprint import Progress
from simkit.history.stairs import stair_of
from simkit.history.strike import FORCE_N, SEARCH, Blow, set_body, strike
from simkit.inspection.sampling import probe_at
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, Load
from simkit.mechanics.stepping.release import travelled_work
from simkit.repair.steprow import area_surplus_mm2
from simkit.repair.workpiece import Workpiece
from simkit.underway import doing

MISSED_MM, MISSED_SHARE = 0.05, 0.02
"""Depth error, absolute and over the depth: a blow has missed its depth above the larger one."""
TRAVEL_CORRECTIONS = 2
"""Corrections of a travel by the depth that it left."""
SHORT_OF = 1.3
"""Travel up to which a depth is searched, over that of a blow that left too little."""
FIRST_TRAVEL_MM = 4.0
LAST_TRAVEL_MM = 120.0
"""First and largest travel in the search for a given energy."""


@dataclass(frozen=True)
class BlowDone:
    """One blow carried out.

    Attributes
    ----------
    blow : the blow as carried out; left_mm : deviation left at its place.
    travel_mm, force_N : largest travel and force.
    energy_J : work of the body on the sheet while loading.
    snapped : whether the sheet snapped.
    fault : what was required and not reached, in words; empty if all was reached.
    """

    blow: Blow
    left_mm: float
    travel_mm: float
    force_N: float
    energy_J: float
    snapped: bool
    fault: str = ""

    def sentence(self) -> str:
        """The blow in one line of text."""
        text = (f"{self.blow.words()} from {'outside' if self.blow.inward else 'inside'}, "
                f"{self.travel_mm:.1f} mm of travel, {self.force_N:.0f} N, {self.energy_J:.2f} J, "
                f"left {self.left_mm:+.2f} mm")
        return text + (", the sheet snapped" if self.snapped else "")


@dataclass(frozen=True)
class Struck:
    """A panel after the given blows; ``faults`` is empty if all reached what was required."""

    state: State
    done: tuple[BlowDone, ...]
    faults: tuple[str, ...]
    stretch_mm2: float


def blow_of(given: GivenBlow) -> Blow:
    """The blow of a case block; if it is given by its energy, the travel is found later."""
    sign = -1.0 if given.side == "outside" else 1.0
    return Blow(
        given.body, given.radius_mm, given.x_mm, given.y_mm, sign * (given.depth_mm or 1.0),
        given.angle_deg, given.length_mm or 0.0, given.width_mm or 0.0, given.tilt_along_deg,
        given.tilt_across_deg, given.travel_mm)


def strike_given(work: Workpiece, blows: Sequence[GivenBlow], state: State | None = None,
                 progress: Progress = lambda text: None) -> Struck:
    """Carry out the blows in their order on ``state`` (None: the undamaged panel).

    If a blow finds no equilibrium, the sequence ends with the panel before it. A blow that does
    not reach its depth is kept, and ``faults`` says so.
    """
    state = work.model.virgin() if state is None else state
    done: list[BlowDone] = []
    faults: list[str] = []
    for k, given in enumerate(blows, start=1):
        with doing(f"blow {k} of {len(blows)}"):
            blow, result, fault = _carried_out(work, state, given)
        if result is None or not result.outcome.valid:
            why = fault or (result.reason if result else "")
            faults.append(f"blow {k} ({blow.words()}): {why}; it and later blows were left out")
            break
        state = result.state
        one = _told(work, blow, given, result, fault)
        done.append(one)
        progress(f"blow {k} of {len(blows)}: {one.sentence()}")
        if one.fault:
            faults.append(f"blow {k} ({blow.words()}): {one.fault}")
    return Struck(state, tuple(done), tuple(faults), area_surplus_mm2(work.model, state))


def _carried_out(work: Workpiece, state: State, given: GivenBlow
                 ) -> tuple[Blow, Advance | None, str]:
    blow = blow_of(given)
    if given.depth_mm is not None:
        return _to_depth(work, state, blow)
    if given.energy_J is None:
        return blow, strike(work, state, blow), ""
    travel = _travel_of(work, state, blow, given.energy_J)
    if travel is None:
        return blow, None, (f"no equilibrium, or a travel beyond {LAST_TRAVEL_MM:g} mm, before "
                            f"the sheet has taken {given.energy_J:g} J")
    result = strike(work, state, replace(blow, travel_mm=travel))
    if result.outcome.valid and result.path:
        missing = given.energy_J - loading_work_J(result)
        if abs(missing) > 0.01 * given.energy_J and result.path[-1].force_N > 0.0:
            travel += 1e3 * missing / result.path[-1].force_N
            result = strike(work, state, replace(blow, travel_mm=travel))
    return replace(blow, travel_mm=travel), result, ""


def _to_depth(work: Workpiece, state: State, blow: Blow) -> tuple[Blow, Advance | None, str]:
    """A blow to a depth: by the release prediction; if that fails, by releases at several travels.
    """
    result = strike(work, state, blow)
    if result.outcome.valid and not _missed(work, blow, result):
        return blow, result, ""
    furthest = 1.5 * abs(blow.depth_mm) + 20.0
    tried = result.travel_mm or furthest
    if result.outcome is Outcome.REACHED and (
            abs(_left(work, blow, result)) < abs(blow.depth_mm)):
        tried *= SHORT_OF  # its prediction ended it a little early
    stair = stair_of(work, state, blow, min(furthest, tried))
    if stair is None:
        return blow, result, ""
    travel, why = stair.travel_to(blow.depth_mm), ""
    if stair.jump:
        ends = (stair.before, stair.after)
        near = min(ends, key=lambda end: abs(end[1] - blow.depth_mm))
        travel = near[0]
        why = (f"the sheet leaves {stair.before[1]:+.2f} mm after {stair.before[0]:.2f} mm of "
               f"travel, {stair.after[1]:+.2f} mm after {stair.after[0]:.2f} mm, and nothing "
               "between")
    if travel <= 0.0:
        return blow, None, why
    result = strike(work, state, replace(blow, travel_mm=travel))
    for _ in range(0 if stair.jump else TRAVEL_CORRECTIONS):
        if not result.outcome.valid or not _missed(work, blow, result):
            break
        stair = stair.narrowed(travel, _left(work, blow, result), blow.depth_mm)
        travel = stair.travel_to(blow.depth_mm)
        result = strike(work, state, replace(blow, travel_mm=travel))
    return blow, result, why


def _left(work: Workpiece, blow: Blow, result: Advance) -> float:
    """Deviation left at a blow's place, mm."""
    return probe_at(work.model, blow.x_mm, blow.y_mm).read(result.state.displacement)


def _missed(work: Workpiece, blow: Blow, result: Advance) -> bool:
    """Whether a blow's depth was not reached."""
    room = max(MISSED_MM, MISSED_SHARE * abs(blow.depth_mm))
    return abs(_left(work, blow, result) - blow.depth_mm) > room


def _travel_of(work: Workpiece, state: State, blow: Blow, energy_J: float) -> float | None:
    """Travel at which the body has done this work on the sheet, computed with long increments."""
    travel = FIRST_TRAVEL_MM
    while travel <= LAST_TRAVEL_MM:
        tool = set_body(work, state, blow, travel)
        tried = advance(work.model, state, Load(tool, travel, FORCE_N), SEARCH)
        curve = [(0.0, 0.0), *((p.travel_mm, p.force_N) for p in tried.path)]
        spent = [1e-3 * travelled_work([(t, f, None) for t, f in curve[:k]])
                 for k in range(1, len(curve) + 1)]
        if spent[-1] >= energy_J:
            return float(np.interp(energy_J, spent, [t for t, _ in curve]))
        if not tried.outcome.valid:
            return None
        travel *= 2.0
    return None


def loading_work_J(result: Advance) -> float:
    """Work of a body on the sheet while it is driven in, J."""
    return 1e-3 * travelled_work([(0.0, 0.0, None),
                                  *((p.travel_mm, p.force_N, None) for p in result.path)])


def _told(work: Workpiece, blow: Blow, given: GivenBlow, result: Advance,
          why: str) -> BlowDone:
    """A blow with its results and, if something was not reached, the fault in words."""
    left = _left(work, blow, result)
    energy, fault = loading_work_J(result), ""
    if given.depth_mm is not None:
        asked = blow.depth_mm
        if _missed(work, blow, result):
            fault = (f"{asked:+.2f} mm was required and {left:+.2f} mm is left: "
                     f"{why or result.reason}")
    elif given.travel_mm is not None and result.travel_mm < 0.999 * given.travel_mm:
        fault = (f"{given.travel_mm:g} mm of travel was required and {result.travel_mm:.2f} mm "
                 f"reached: {result.reason}")
    elif given.energy_J is not None and abs(energy - given.energy_J) > 0.03 * given.energy_J:
        fault = f"{given.energy_J:g} J was required and {energy:.3g} J done"
    return BlowDone(blow, left, result.travel_mm, result.force_N, energy, result.snapped, fault)


def field_of_state(work: Workpiece, state: State, source: str = "made by blows") -> DepthField:
    """The deviations of a panel in a state, as a depth field."""
    seen = work.sampling.field(state)
    d = np.where(seen.on_panel, seen.d_mm, 0.0)
    spline = RectBivariateSpline(seen.x_mm, seen.y_mm, d.T, s=0)
    x0, x1, y0, y1 = (float(v) for v in (seen.x_mm[0], seen.x_mm[-1], seen.y_mm[0], seen.y_mm[-1]))
    return DepthField(
        depth=lambda x, y: np.asarray(spline(np.clip(x, x0, x1), np.clip(y, y0, y1), grid=False)),
        reach_mm=(x0, x1, y0, y1), noise_mm=0.0, source=source,
        places_mm=np.empty((0, 2)), places_line=np.empty(0, dtype=np.int64))
