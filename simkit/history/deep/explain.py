"""Histories of deep damage: searched on a coarse mesh, corrected on the mesh of the case."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from simkit.history.deep.descent import Blows, Found, descend
from simkit.history.deep.family import COARSE, Fit, Presses, about
from simkit.history.deep.known import with_slopes
from simkit.history.deep.readings import Array, Readings, readings_of
from simkit.history.deep.search import Aim, look, others
from simkit.history.given import blow_of
from simkit.history.imprint import Progress
from simkit.history.search import Bounds
from simkit.history.strike import Blow
from simkit.mechanics.model import State
from simkit.mechanics.stepping.orders import AdvanceSettings
from simkit.repair.workpiece import Workpiece, make_workpiece

DEEP_MM = 5.0
"""Depth above which a dent is treated here: then blows pass snaps, and an imprint falsifies the
effect of the next pull."""
MATCHED_MISFIT_SHARE = 0.01
"""Misfit over the depth that counts as matched: the error of meshes and increments."""
STOP_MISFIT_SHARE = 0.6
"""Share of the matched misfit at which corrections stop."""
COARSE_MATCH_FACTOR, SURE = 2.0, 1.0
"""Misfit over the matched one above which other kinds and further blows are tried on the coarse
mesh: at first, while the error of that mesh is unknown, and after it is known from the fine mesh.
"""
LOOKS = 2
"""Number of repeated searches on the coarse mesh after its error is known."""
COARSE_MM, COARSER = 18.0, 1.8
"""Desired element size of the search, which gives a deep dent's field within 1 to 2 % of its depth;
largest element size over that of the case."""
NOISE, NOISE_ENOUGH = 1.1, 1.5
"""Misfits over the noise of the readings at which corrections stop, and at which no other kind is
tried."""
FINE = AdvanceSettings(first_mm=0.3, largest_mm=0.8)
"""Increments of the final computation of the history."""
FINE_ROUNDS, FINE_ROUNDS_KNOWN = 4, 12
"""Corrections on the mesh of the case: of blows that were searched, of several known roughly."""
PLAIN_MISFIT_FACTOR, MOST_TAKEN = 2.0, 2
"""Misfit over the smallest one up to which a simpler history is computed on the fine mesh; largest
number of histories computed there."""
RADIUS_FACTORS = (0.55, 1.8)
"""Other radii over a ball's own that are tried: they leave the same dent with other stresses."""


@dataclass(frozen=True)
class Explained:
    """A history of deep damage, and others that leave the same shape.

    Attributes
    ----------
    state : state after release; found : blows and their fit at the readings.
    x_mm, y_mm, wanted_mm : places and values of the readings.
    rms_mm, worst_mm : misfit at the readings; limit_mm : rms misfit that counts as matched.
    others : further histories that cannot be distinguished; coarse_mm : misfit of this history on
        the coarse mesh, on which the others were computed too.
    loadings : number of loadings computed.
    """

    state: State
    found: Found
    x_mm: Array
    y_mm: Array
    wanted_mm: Array
    rms_mm: float
    worst_mm: float
    limit_mm: float
    others: tuple[Found, ...]
    coarse_mm: float
    loadings: int


def match_limit(match_mm: float, readings: Readings) -> float:
    """Misfit (rms, mm) that counts as matched: the required one, or the error of meshes and
    increments if that is larger."""
    return max(match_mm, MATCHED_MISFIT_SHARE * readings.depth_mm)


def is_deep(work: Workpiece) -> bool:
    """Whether the case's damage is searched by travel: because it is deep, or by the case file."""
    depth, history = work.depth, work.case.history
    if depth is None or history.search == "depth":
        return False
    return (history.search == "travel" or bool(history.blows)
            or max(-depth.lowest_mm, depth.highest_mm) > DEEP_MM)


def explain(work: Workpiece, match_mm: float, bounds: Bounds, progress: Progress,
            store: Path | None = None) -> Explained | None:
    """Blows that explain the case's damage, computed; None if none finds an equilibrium."""
    assert work.depth is not None
    readings = readings_of(work.depth)
    limit = match_limit(match_mm, readings)
    noise = work.depth.noise_mm
    aim = Aim(max(STOP_MISFIT_SHARE * limit, NOISE * noise),
              max(COARSE_MATCH_FACTOR * limit, NOISE_ENOUGH * noise), bounds)
    sure = replace(aim, enough_mm=max(SURE * limit, NOISE_ENOUGH * noise))
    rough = make_workpiece(work.case, coarser=float(np.clip(
        COARSE_MM / work.case.mesh.fine_mm, 1.0, COARSER)))
    coarse = Presses(rough, readings, COARSE, progress, store)
    found = look(coarse, aim, _roughly_known(work))
    if not found:
        return None
    fine = Presses(work, readings, FINE, progress, store)
    best = _plainest(fine, found, aim, limit)
    for _ in range(LOOKS):
        if best is None or best.rms_mm <= limit:
            break
        better = (_with_new_slopes if work.case.history.blows else _looked_again)(
            coarse, fine, best, sure)
        if better is None:
            break
        best = better
    state = None if best is None else fine.after(best.blows)
    if best is None or state is None:
        return None
    gap = fine.read(state) - fine.wanted
    own = about(coarse, best.blows)
    coarse_mm = best.rms_mm if own is None else own[1].rms_mm
    return Explained(
        state, best, fine.x_mm, fine.y_mm, fine.wanted, float(np.sqrt(np.mean(gap**2))),
        float(np.abs(gap).max()), limit,
        tuple(_spread(coarse, best, found, coarse_mm + limit)), coarse_mm,
        coarse.count + fine.count)


def _roughly_known(work: Workpiece) -> Blows:
    """The blows that the case says were seen."""
    return tuple(blow_of(one) for one in work.case.history.blows or ())


def _looked_again(coarse: Presses, fine: Presses, best: Found, aim: Aim) -> Found | None:
    """A better history than the best one on the fine mesh, or None.

    Searched on the coarse mesh, after the error of that mesh is removed from the readings: the
    difference between the shapes of the best history on both meshes.
    """
    seen = about(coarse, best.blows)
    if seen is None:
        return None
    coarse.wanted = fine.wanted - (best.fit.d_mm - seen[1].d_mm)
    blows, fit = seen
    again = Found(blows, coarse.against(fit), best.slopes, best.names)
    for one in others(coarse, again, aim)[:MOST_TAKEN]:
        right = set_right(fine, one, aim)
        if right is not None and right.rms_mm < best.rms_mm:
            return right
    return None


def _with_new_slopes(coarse: Presses, fine: Presses, best: Found, aim: Aim) -> Found | None:
    """A better history of roughly known blows than the best one on the fine mesh, or None.

    Derivatives of the first ones are far off after many steps: they are computed again where the
    corrections have ended, on the coarse mesh.
    """
    there = with_slopes(coarse, best)
    right = None if there is None else set_right(
        fine, replace(best, slopes=there.slopes, names=there.names), aim)
    return right if right is not None and right.rms_mm < best.rms_mm else None


def _plainest(fine: Presses, found: list[Found], aim: Aim, limit: float) -> Found | None:
    """On the fine mesh: the first history that matches, fewest blows first; else the nearest.

    Fewest blows first, because a further blow may only compensate the error of the coarse mesh.
    """
    best: Found | None = None
    near = [one for one in found if one.rms_mm
            <= max(PLAIN_MISFIT_FACTOR * found[0].rms_mm, aim.enough_mm)]
    for one in sorted(near, key=lambda one: len(one.blows))[:MOST_TAKEN]:
        right = set_right(fine, one, aim)
        if right is not None and (best is None or right.rms_mm < best.rms_mm):
            best = right
        if best is not None and best.rms_mm <= limit:
            break
    return best


def set_right(fine: Presses, found: Found, aim: Aim) -> Found | None:
    """A history corrected on the fine mesh, with the derivatives from the coarse one."""
    def measure(blows: Blows) -> tuple[Blows, Fit] | None:
        return about(fine, blows)

    first = measure(found.blows)
    if first is None:
        return None
    known = _roughly_known(fine.work)
    several = bool(known) and len(found.blows) > 1
    return descend(measure, fine.wanted, Found(*first, found.slopes, found.names),
                   FINE_ROUNDS_KNOWN if several else FINE_ROUNDS, aim.stop_mm, known)


def _spread(coarse: Presses, best: Found, found: list[Found], room_mm: float) -> list[Found]:
    """Histories that the readings cannot distinguish from the best: other kinds, other radii.

    Their misfits on the coarse mesh are at most ``room_mm``; at most three are returned.
    """
    others = [one for one in found if one.blows[-1].kind != best.blows[-1].kind
              or len(one.blows) != len(best.blows)]
    last = best.blows[-1]
    if last.kind == "ball":
        for factor in RADIUS_FACTORS:
            other: Blow = replace(last, radius_mm=last.radius_mm * factor)
            seen = about(coarse, (*best.blows[:-1], other))
            if seen is not None:
                others.append(Found(*seen, np.zeros((coarse.wanted.size, 0)), ()))
    return sorted((one for one in others if one.rms_mm <= room_mm), key=lambda one: one.rms_mm)[:3]
