"""Deep damage explained: search on a coarse panel, the numbers set right on the fine one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from simkit.history.deep.descent import Blows, Found, descend
from simkit.history.deep.family import COARSE, Fit, Presses, about
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
"""Depth from which a dent is explained here: beyond it, blows pass snaps and an imprint spoils
what the next pull does."""
MATCHED_MISFIT_SHARE = 0.01
"""Misfit over the depth that counts as matched: what meshes and increments are worth."""
STOP_MISFIT_SHARE = 0.6
"""Share of that at which the search has done enough."""
COARSE_MATCH_FACTOR, SURE = 2.0, 1.0
"""The same for trying other kinds and further blows on the coarse mesh: at first, while its own
error is in the way, and once that has been seen on the fine one."""
LOOKS = 2
"""Times that the coarse mesh is asked again once its own error is known."""
COARSE_MM, COARSER = 18.0, 1.8
"""Elements of the search: good for a deep dent's field within 1 to 2 % of its depth; of a small
one's over those of the repair."""
NOISE, NOISE_ENOUGH = 1.1, 1.5
"""Misfits over the readings' own noise at which nothing more can be learnt, and no other kind need
be tried."""
FINE = AdvanceSettings(first_mm=0.3, largest_mm=0.8)
"""Increments in which the history taken is carried out."""
FINE_ROUNDS, FINE_ROUNDS_KNOWN = 4, 12
"""Corrections on the case's own mesh: of blows looked for, of several known roughly."""
PLAIN_MISFIT_FACTOR, MOST_TAKEN = 2.0, 2
"""Misfit over the least up to which a plainer history is carried out in full; how many are."""
RADIUS_FACTORS = (0.55, 1.8)
"""Radii tried beside a ball's own, over it: they leave the same dent and another stress."""


@dataclass(frozen=True)
class Explained:
    """A history of deep damage carried out, and others that leave the same.

    Attributes
    ----------
    state : after release. found : blows, fit at the readings. wanted_mm, x_mm, y_mm : readings.
    rms_mm, worst_mm : what the readings miss; limit_mm : the rms that counts as matched.
    others : further histories within the same doubt; coarse_mm : misfit of this one on the coarse
        panel, where the others were seen too. loadings : carried out in all.
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
    """Misfit (rms, mm) that counts as matched: what was asked for, or the share of the depth that
    meshes and increments are worth."""
    return max(match_mm, MATCHED_MISFIT_SHARE * readings.depth_mm)


def is_deep(work: Workpiece) -> bool:
    """Whether the case's damage is explained by travels: deep, or asked for."""
    depth, history = work.depth, work.case.history
    if depth is None or history.search == "depth":
        return False
    return (history.search == "travel" or bool(history.blows)
            or max(-depth.lowest_mm, depth.highest_mm) > DEEP_MM)


def explain(work: Workpiece, match_mm: float, bounds: Bounds, progress: Progress,
            store: Path | None = None) -> Explained | None:
    """Blows behind the case's damage, carried out; None where none finds a balance."""
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
    found = look(coarse, aim, tuple(blow_of(one) for one in work.case.history.blows or ()))
    if not found:
        return None
    fine = Presses(work, readings, FINE, progress, store)
    best = _plainest(fine, found, aim, limit)
    for _ in range(LOOKS):
        if best is None or best.rms_mm <= limit or work.case.history.blows:
            break
        better = _looked_again(coarse, fine, best, sure)
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


def _looked_again(coarse: Presses, fine: Presses, best: Found, aim: Aim) -> Found | None:
    """A better history than the best on the fine panel, None where none is found: looked for on the
    coarse one, whose own error is taken from what the best leaves on both."""
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


def _plainest(fine: Presses, found: list[Found], aim: Aim, limit: float) -> Found | None:
    """On the fine panel: the first history that matches, fewest blows first; else the nearest.

    What the coarse panel leaves may be its own error, which a further blow would only paint over.
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
    """A history's numbers corrected on the fine panel, with the slopes of the coarse one."""
    def measure(blows: Blows) -> tuple[Blows, Fit] | None:
        return about(fine, blows)

    first = measure(found.blows)
    if first is None:
        return None
    several = bool(fine.work.case.history.blows) and len(found.blows) > 1
    return descend(measure, fine.wanted, Found(*first, found.slopes, found.names),
                   FINE_ROUNDS_KNOWN if several else FINE_ROUNDS, aim.stop_mm)


def _spread(coarse: Presses, best: Found, found: list[Found], room_mm: float) -> list[Found]:
    """Histories that the readings do not tell from the best: other kinds, balls of other radii;
    their misfits on the coarse panel are within ``room_mm``."""
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
