"""Search for the blow behind a deep dent: first its family, then kinds, then the numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.history.deep.descent import (
    SCALES,
    Blows,
    Found,
    descend,
    names_of,
    slopes_by_trial,
)
from simkit.history.deep.family import Family, Fit, Presses, about
from simkit.history.deep.readings import Array
from simkit.history.search import Bounds, Low
from simkit.history.strike import Blow

AHEAD_MM = 12.0
"""Travel beyond the depth up to which the first loading goes: what springs back."""
STAIR_MM, STAIR_DEPTH_SHARE = 2.0, 0.1
"""Travel between two releases of the first loading; its least share of the depth where a blow is
known roughly."""
RELEASE_TRAVEL_FACTORS = (0.88, 1.0, 1.12)
"""Travels at which other kinds are let go, over the first loading's best."""
KEPT_MISFIT_FACTOR = 1.3
"""A kind is corrected while its misfit is within this times the least, corrected ones included."""
SINGLE_LOW_SPREADS = 1.8
"""Readings of one low lie within this times their own spread about its deepest place."""
ELSEWHERE_LENGTH_SHARE, FAR = 0.4, 0.9
"""What is left lies elsewhere when its place is farther from the blow than the first share of the
low's length; before the blow is set right, than the second: until then its ends are wrong, too."""
SECOND_BLOW_DEPTH_SHARES, PLAIN_MARK = 0.08, 0.25
"""What is left counts as the mark of another blow from the first share of the depth on, before the
first blow is set right from the second: less is what a place, a radius or the mesh are off."""
RADIUS_FACTOR = 1.5
"""Factor by which a ball's radius is changed where its misfit is too large."""
MOST_KINDS = 2
"""Kinds corrected, the nearest first."""
CORRECTION_STEPS, MORE_ROUNDS = 5, 4
"""Steps of a correction: of one blow, of several, each of which costs a loading for every blow."""
MOST_BLOWS = 6
NEAR, TOGETHER, SEARCH_MESH_ERROR_DEPTH_SHARE = 10, 8, 0.03
"""Readings about a blow known roughly that tell its travel; steps by which all are set right, until
the misfit is this share of the depth: the mesh of the search is off by that itself where blows lie
one over the other (`cases/right-panel`: 1.1 mm of 41 with the true blows)."""
AROUND_MM = 15.0
"""Half of the travels over which one known by its travel is looked for, at most."""
FURTHER_BLOW_MISFIT_SHARE, CLEARER = 0.8, 0.93
"""A further blow or another kind is kept where it leaves less than the first share of the misfit;
another radius, once the search mesh's own error is known, less than the second."""
PLAIN = {"ball": 1.0, "cylinder": 1.1, "edge": 1.15, "block": 1.25}
"""Factors of the misfit by which kinds are compared before their numbers are set right."""
LONG_BODY_ASPECT = 1.3
"""Length over width of a low from which long bodies are tried."""


@dataclass(frozen=True)
class Aim:
    """What a search is after: misfit (rms, mm) at which corrections stop; at which no other kind
    and no further blow is tried, as what is left is the coarse mesh's own; its bounds."""

    stop_mm: float
    enough_mm: float
    bounds: Bounds


def low_of(x: Array, y: Array, gap: Array, sign: float) -> Low:
    """Deepest place, direction, length and width of the largest low (sign -1) of readings.

    Readings lie where somebody took them, so each counts for the plan nearest to it.
    """
    deep = np.clip(sign * gap, 0.0, None)
    k = int(np.argmax(deep))
    near, shares = np.hypot(x - x[k], y - y[k]), _shares(x, y)
    w = np.where(deep > 0.3 * deep[k], deep, 0.0) * shares
    for _ in range(3):  # another low beside it does not count
        w = np.where(near <= SINGLE_LOW_SPREADS * max(np.sqrt((w * near**2).sum() / w.sum()), 1.0),
                     w, 0.0)
    cx, cy = (w * x).sum() / w.sum(), (w * y).sum() / w.sum()
    dx, dy = x - cx, y - cy
    moments = np.array([[(w * dx * dx).sum(), (w * dx * dy).sum()],
                        [(w * dx * dy).sum(), (w * dy * dy).sum()]]) / w.sum()
    values, vectors = np.linalg.eigh(moments)
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    return Low(float(0.5 * (cx + x[k])), float(0.5 * (cy + y[k])), float(gap[k]), angle,
               4.0 * float(np.sqrt(max(values[1], 1.0))), 4.0 * float(np.sqrt(max(values[0], 1.0))))


def _shares(x: Array, y: Array) -> Array:
    """Square of the distance to the third nearest other reading: the plan it stands for."""
    far = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    third = np.partition(far, min(3, len(x) - 1), axis=1)[:, min(3, len(x) - 1)]
    return np.clip(third, 1.0, None) ** 2


def bodies(low: Low, bounds: Bounds) -> list[Blow]:
    """Other bodies that may have left a low: long ones along it, a flat face, other balls."""
    base = Blow("ball", 20.0, low.x_mm, low.y_mm, low.depth_mm, low.angle_deg)
    reach = max(0.6 * low.length_mm, 30.0)
    long_one = low.length_mm > LONG_BODY_ASPECT * low.width_mm or len(bounds.kinds) == 1
    radius = float(np.clip(20.0, bounds.radius_min_mm, bounds.radius_max_mm))
    found = []
    if "cylinder" in bounds.kinds:
        found += [replace(base, kind="cylinder", radius_mm=radius, angle_deg=a,
                          length_mm=reach + 2.0 * radius)
                  for a in ((low.angle_deg,) if long_one else (low.angle_deg,
                                                               low.angle_deg + 90.0))]
    if "edge" in bounds.kinds and long_one:
        found.append(replace(base, kind="edge", radius_mm=4.0, length_mm=reach + 8.0))
    if "block" in bounds.kinds:
        size = max(0.3 * low.width_mm, 20.0)
        found.append(replace(base, kind="block", radius_mm=5.0, width_mm=size,
                             length_mm=size + 0.5 * max(low.length_mm - low.width_mm, 0.0)))
    return found


def first_family(presses: Presses, before: tuple[Blow, ...], low: Low, bounds: Bounds) -> Family:
    """A ball at the low, let go every ``STAIR_MM`` from the depth on."""
    radius = float(np.clip(0.3 * low.width_mm, max(bounds.radius_min_mm, 15.0),
                           max(bounds.radius_max_mm, 15.0)))
    ball = Blow("ball", radius, low.x_mm, low.y_mm, low.depth_mm, low.angle_deg)
    return presses.family(before, ball, travels_of(ball))


def look(presses: Presses, aim: Aim, known: Blows = ()) -> list[Found]:
    """Histories of one blow, or where that does not do, of up to ``MOST_BLOWS``; nearest first.
    Where they are ``known`` roughly it keeps to those."""
    start = set_right_in_turn(presses, known, aim) if known else None
    if start is not None:
        return [start]
    low = _largest(presses, presses.wanted)
    return _with_more(presses, single(presses, (), low, aim), low, aim)


def others(presses: Presses, best: Found, aim: Aim) -> list[Found]:
    """Histories that do better than the best one found so far, nearest first: another radius or
    kind of its last blow, and further blows."""
    low = _largest(presses, presses.wanted)
    found = [best, _resized(presses, best, aim, CLEARER)]
    if found[1].rms_mm <= aim.enough_mm:
        return found[1:]
    if len(best.blows) == 1:
        left = _largest(presses, presses.wanted - best.fit.d_mm)
        if not _elsewhere(left, low, best.blows[-1]):
            found += [one for one in single(presses, (), low, aim)
                      if one.blows[-1].kind != best.blows[-1].kind]
    found = _with_more(presses, sorted(found, key=lambda one: one.rms_mm), low, aim)
    return [one for one in found if one.rms_mm < (
        CLEARER if one.blows[-1].kind == best.blows[-1].kind else FURTHER_BLOW_MISFIT_SHARE)
            * best.rms_mm]


def _with_more(presses: Presses, found: list[Found], low: Low, aim: Aim) -> list[Found]:
    """Histories with further blows before the others, where those are worth it."""
    while found and found[0].rms_mm > aim.enough_mm and len(found[0].blows) < MOST_BLOWS:
        best = found[0]
        left = _largest(presses, presses.wanted - best.fit.d_mm)
        if abs(left.depth_mm) < SECOND_BLOW_DEPTH_SHARES * abs(low.depth_mm):
            break
        more = _one_more(presses, best, left, aim)
        if more is None or more.rms_mm > FURTHER_BLOW_MISFIT_SHARE * best.rms_mm:
            break
        found.insert(0, more)
    return found


def set_right_in_turn(presses: Presses, known: Blows, aim: Aim) -> Found | None:
    """Blows known roughly: each one's travel by the readings about it, on the panel as those before
    left it; then all numbers together. The marks of later blows would draw a place away that is set
    right before them. None where one finds no balance."""
    def measure(blows: Blows) -> tuple[Blows, Fit] | None:
        return about(presses, blows)

    def as_they_are(blows: Blows) -> tuple[Blows, Fit] | None:
        seen = presses.released(blows)
        return None if seen is None else (blows, seen)

    blows: Blows = ()
    fit: Fit | None = None
    for body in known:
        step = max(STAIR_MM, STAIR_DEPTH_SHARE * abs(body.depth_mm))
        family = presses.family(blows, replace(body, travel_mm=None), travels_of(body, step))
        far = np.hypot(presses.x_mm - body.x_mm, presses.y_mm - body.y_mm)
        fit = family.nearest_at(presses.wanted, np.argsort(far, kind="stable")[:NEAR])
        if fit is None:
            return None
        blows = (*blows, replace(body, travel_mm=fit.travel_mm))
    exact = presses.released(blows)
    if fit is None or exact is None:
        return None
    fit, names = replace(exact, rate=fit.rate), names_of(blows, known=True)
    start = Found(blows, fit, slopes_by_trial(as_they_are, blows, fit, names), names)
    if len(blows) == 1:
        return descend(measure, presses.wanted, start, CORRECTION_STEPS, aim.stop_mm)
    own = SEARCH_MESH_ERROR_DEPTH_SHARE * float(np.abs(presses.wanted).max())
    return descend(measure, presses.wanted, start, TOGETHER, max(aim.stop_mm, own))


def travels_of(body: Blow, step_mm: float = STAIR_MM) -> list[float]:
    """Travels at which a blow known roughly is let go: about its own, or from its depth on."""
    depth = abs(body.depth_mm)
    low, high = max(0.8 * depth, 1.0), 1.1 * depth + AHEAD_MM
    if body.travel_mm is not None:
        around = min(0.5 * body.travel_mm, AROUND_MM)
        low, high = body.travel_mm - around, body.travel_mm + around
    return [float(t) for t in np.arange(low, high, step_mm)]


def _largest(presses: Presses, gap: Array) -> Low:
    """The largest low or high of what is still to be explained."""
    sign = -1.0 if -gap.min() >= gap.max() else 1.0
    return low_of(presses.x_mm, presses.y_mm, gap, sign)


def single(presses: Presses, before: Blows, low: Low, aim: Aim) -> list[Found]:
    """One blow after others: a ball corrected, and other kinds where they may do better; nearest
    first."""
    tried = _kinds(presses, before, low, aim)
    if not tried:
        return []
    blow, fit = tried[0]
    left = _largest(presses, presses.wanted - fit.d_mm)
    if fit.rms_mm > aim.enough_mm and _elsewhere(left, low, blow, FAR):
        # another blow's mark would only draw this one away: both are set right together
        return [Found((*before, blow), fit, np.zeros((presses.wanted.size, 0)), ())]
    found = list[Found]()
    for blow, fit in tried[:MOST_KINDS]:
        least = min((one.rms_mm for one in found), default=np.inf)
        if least <= aim.enough_mm or fit.rms_mm > KEPT_MISFIT_FACTOR * least:
            break
        one = corrected(presses, (*before, blow), fit, aim)
        found.append(_resized(presses, one, aim))
    return sorted(found, key=lambda one: one.rms_mm)


def _kinds(presses: Presses, before: Blows, low: Low, aim: Aim) -> list[tuple[Blow, Fit]]:
    """Bodies at a low with the travel that lies nearest: a ball, and unless that does, the others,
    nearest first; a plainer one counts for a little nearer."""
    family = first_family(presses, before, low, aim.bounds)
    fit = family.nearest(presses.wanted)
    travel = abs(low.depth_mm) + 6.0 if fit is None else fit.travel_mm
    found = list[tuple[Blow, Fit]]()
    if fit is not None and "ball" in aim.bounds.kinds:
        found.append((replace(family.blow, travel_mm=travel), fit))
        if fit.rms_mm <= aim.enough_mm:
            return found
    for body in bodies(low, aim.bounds):
        other = presses.family(before, body, [share * travel for share in RELEASE_TRAVEL_FACTORS]
                               ).nearest(presses.wanted)
        if other is not None:
            found.append((replace(body, travel_mm=other.travel_mm), other))
    return sorted(found, key=lambda one: PLAIN[one[0].kind] * one[1].rms_mm)


def _elsewhere(left: Low, low: Low, blow: Blow, share: float = ELSEWHERE_LENGTH_SHARE) -> bool:
    """Whether what is left is no fault of a blow but the mark of another one."""
    far = float(np.hypot(left.x_mm - blow.x_mm, left.y_mm - blow.y_mm))
    return abs(left.depth_mm) > PLAIN_MARK * abs(low.depth_mm) and far > share * low.length_mm


def _resized(presses: Presses, found: Found, aim: Aim,
             worth: float = FURTHER_BLOW_MISFIT_SHARE) -> Found:
    """A ball of another radius where that does clearly better, then set right again."""
    last, best = found.blows[-1], found
    if last.kind != "ball" or found.rms_mm <= aim.enough_mm:
        return found
    for factor in (RADIUS_FACTOR, 1.0 / RADIUS_FACTOR):
        seen = about(presses, (*found.blows[:-1], replace(last, radius_mm=factor * last.radius_mm)))
        if seen is not None and seen[1].rms_mm < worth * best.rms_mm:
            best = Found(*seen, found.slopes, found.names)
    if best is found:
        return found
    return descend(lambda blows: about(presses, blows), presses.wanted, best, 2, aim.stop_mm)


def _one_more(presses: Presses, best: Found, low: Low, aim: Aim) -> Found | None:
    """A further blow where most is left, then all together set right."""
    family = first_family(presses, best.blows, low, aim.bounds)
    fit = family.nearest(presses.wanted)
    if fit is None:
        return None
    blows = (*best.blows, replace(family.blow, travel_mm=fit.travel_mm))
    return corrected(presses, blows, fit, aim, best, MORE_ROUNDS)


def corrected(presses: Presses, blows: Blows, fit: Fit, aim: Aim, before: Found | None = None,
              rounds: int = CORRECTION_STEPS) -> Found:
    """Numbers of a history set right: slopes by one trial each, then a few steps. Slopes known
    from ``before``, the same history without its last blow, are taken over."""
    names = names_of(blows)
    start = Found(blows, fit, np.zeros((presses.wanted.size, len(names))), names)
    if fit.rms_mm <= aim.stop_mm:
        return start

    def measure(blows: Blows) -> tuple[Blows, Fit] | None:
        return about(presses, blows)

    known = {} if before is None or not before.names else {
        name: before.slopes[:, k] for k, name in enumerate(before.names)}
    if known and before is not None:
        known[len(blows) - 2, "travel_mm"] = SCALES["travel_mm"] * before.fit.rate
    asked = tuple(name for name in names if name not in known)
    tried = slopes_by_trial(measure, blows, fit, asked)
    known |= {name: tried[:, k] for k, name in enumerate(asked)}
    start = replace(start, slopes=np.stack([known[name] for name in names], axis=1))
    return descend(measure, presses.wanted, start, rounds, aim.stop_mm)
