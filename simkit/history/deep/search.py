"""Search for the blows of a deep dent: first the travel, then the kind of body, then all unknowns.
"""

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
from simkit.history.deep.family import Family, Fit, Presses, about, travels_of
from simkit.history.deep.known import set_right_in_turn
from simkit.history.deep.readings import Array
from simkit.history.search import Bounds, Low
from simkit.history.strike import Blow

RELEASE_TRAVEL_FACTORS = (0.88, 1.0, 1.12)
"""Travels at which other kinds are released, over the best of the first loading."""
KEPT_MISFIT_FACTOR = 1.3
"""A kind is corrected if its misfit is below this times the smallest, corrected ones included."""
SINGLE_LOW_SPREADS = 1.8
"""Readings of one low are within this times their standard distance from its deepest place."""
ELSEWHERE_LENGTH_SHARE, FAR = 0.4, 0.9
"""The largest remaining difference is elsewhere if its distance from the blow is more than the
first share of the low's length; before the blow is corrected, more than the second, because its
ends are wrong until then."""
SECOND_BLOW_DEPTH_SHARES, PLAIN_MARK = 0.08, 0.25
"""The remaining difference is due to another blow if it is more than the first share of the depth;
before the first blow is corrected, more than the second. Smaller ones may come from errors of
place, radius or mesh."""
RADIUS_FACTOR = 1.5
"""Factor by which a ball's radius is changed if its misfit is too large."""
MOST_KINDS = 2
"""Number of kinds that are corrected, the nearest first."""
CORRECTION_STEPS, MORE_ROUNDS = 5, 4
"""Steps of a correction: of one blow; of several, where each step costs a loading per blow."""
MOST_BLOWS = 6
FURTHER_BLOW_MISFIT_SHARE, CLEARER = 0.8, 0.93
"""A further blow or another kind is kept if its misfit is below the first share of the present one;
another radius, after the error of the search mesh is known, below the second."""
PLAIN = {"ball": 1.0, "cylinder": 1.1, "edge": 1.15, "disc": 1.2, "block": 1.25}
"""Factors of the misfit with which kinds are compared before they are corrected."""
LONG_BODY_ASPECT = 1.3
"""Length over width of a low above which long bodies are tried."""


@dataclass(frozen=True)
class Aim:
    """Goals and limits of a search.

    stop_mm: misfit (rms) at which corrections stop; enough_mm: misfit at which no other kind and no
    further blow is tried, because the rest is the error of the coarse mesh; bounds: of the bodies.
    """

    stop_mm: float
    enough_mm: float
    bounds: Bounds


def low_of(x: Array, y: Array, gap: Array, sign: float) -> Low:
    """Place, direction, length and width of the largest low (sign -1) of readings.

    Readings are not evenly distributed, so each is weighted with the area around it.
    """
    deep = np.clip(sign * gap, 0.0, None)
    k = int(np.argmax(deep))
    near, shares = np.hypot(x - x[k], y - y[k]), _shares(x, y)
    w = np.where(deep > 0.3 * deep[k], deep, 0.0) * shares
    for _ in range(3):  # exclude another low beside it
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
    """Area that each reading represents: square of the distance to its third nearest neighbour."""
    far = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    third = np.partition(far, min(3, len(x) - 1), axis=1)[:, min(3, len(x) - 1)]
    return np.clip(third, 1.0, None) ** 2


def bodies(low: Low, bounds: Bounds) -> list[Blow]:
    """Other bodies that may have made a low: long ones along it, and a flat face."""
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
    if "disc" in bounds.kinds and (len(bounds.kinds) == 1 or not long_one):
        found.append(replace(base, kind="disc", radius_mm=5.0,
                             width_mm=max(0.35 * low.width_mm, 24.0)))
    if "block" in bounds.kinds:
        size = max(0.3 * low.width_mm, 20.0)
        found.append(replace(base, kind="block", radius_mm=5.0, width_mm=size,
                             length_mm=size + 0.5 * max(low.length_mm - low.width_mm, 0.0)))
    return found


def first_family(presses: Presses, before: tuple[Blow, ...], low: Low, bounds: Bounds) -> Family:
    """A ball at the low, released every ``STAIR_MM`` of travel from about the depth on."""
    radius = float(np.clip(0.3 * low.width_mm, max(bounds.radius_min_mm, 15.0),
                           max(bounds.radius_max_mm, 15.0)))
    ball = Blow("ball", radius, low.x_mm, low.y_mm, low.depth_mm, low.angle_deg)
    return presses.family(before, ball, travels_of(ball))


def look(presses: Presses, aim: Aim, known: Blows = ()) -> list[Found]:
    """Histories of one blow or, if that is not enough, of up to ``MOST_BLOWS``; nearest first.

    If blows are roughly ``known``, only these are corrected.
    """
    start = set_right_in_turn(presses, known, aim.stop_mm) if known else None
    if start is not None:
        return [start]
    low = _largest(presses, presses.wanted)
    return _with_more(presses, single(presses, (), low, aim), low, aim)


def others(presses: Presses, best: Found, aim: Aim) -> list[Found]:
    """Histories with a smaller misfit than the best one so far, nearest first: another radius,
    place or kind of its last blow, and further blows."""
    low = _largest(presses, presses.wanted)
    found = [best, _resized(presses, best, aim, CLEARER)]
    if found[1].rms_mm <= aim.enough_mm:
        return found[1:]
    if len(best.blows) == 1:
        left = _largest(presses, presses.wanted - best.fit.d_mm)
        if not _elsewhere(left, low, best.blows[-1]):
            found += [one for one in single(presses, (), low, aim)
                      if one.blows[-1].kind != best.blows[-1].kind
                      or one.rms_mm < CLEARER * best.rms_mm]
    found = _with_more(presses, sorted(found, key=lambda one: one.rms_mm), low, aim)
    return [one for one in found if one.rms_mm < (
        CLEARER if one.blows[-1].kind == best.blows[-1].kind else FURTHER_BLOW_MISFIT_SHARE)
            * best.rms_mm]


def _with_more(presses: Presses, found: list[Found], low: Low, aim: Aim) -> list[Found]:
    """The histories, preceded by those with further blows that clearly reduce the misfit."""
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


def _largest(presses: Presses, gap: Array) -> Low:
    """The largest low or high of the remaining difference."""
    sign = -1.0 if -gap.min() >= gap.max() else 1.0
    return low_of(presses.x_mm, presses.y_mm, gap, sign)


def single(presses: Presses, before: Blows, low: Low, aim: Aim) -> list[Found]:
    """One blow after others: a corrected ball, and other kinds if promising; nearest first."""
    tried = _kinds(presses, before, low, aim)
    if not tried:
        return []
    blow, fit = tried[0]
    left = _largest(presses, presses.wanted - fit.d_mm)
    if fit.rms_mm > aim.enough_mm and _elsewhere(left, low, blow, FAR):
        # the mark of another blow would falsify this one: both are corrected together later
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
    """Bodies at a low, each with its best travel, nearest first: a ball and, if that is not good
    enough, the others. Simpler bodies are preferred by the factors of ``PLAIN``."""
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
    """Whether the remaining difference is not an error of this blow but the mark of another one."""
    far = float(np.hypot(left.x_mm - blow.x_mm, left.y_mm - blow.y_mm))
    return abs(left.depth_mm) > PLAIN_MARK * abs(low.depth_mm) and far > share * low.length_mm


def _resized(presses: Presses, found: Found, aim: Aim,
             worth: float = FURTHER_BLOW_MISFIT_SHARE) -> Found:
    """The history with another radius of its last ball if that is clearly better, corrected again.
    """
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
    """A further blow at the largest remaining difference, then all blows corrected together."""
    family = first_family(presses, best.blows, low, aim.bounds)
    fit = family.nearest(presses.wanted)
    if fit is None:
        return None
    blows = (*best.blows, replace(family.blow, travel_mm=fit.travel_mm))
    return corrected(presses, blows, fit, aim, best, MORE_ROUNDS)


def corrected(presses: Presses, blows: Blows, fit: Fit, aim: Aim, before: Found | None = None,
              rounds: int = CORRECTION_STEPS) -> Found:
    """A corrected history: derivatives by one trial for each unknown, then a few steps.

    Derivatives known from ``before``, the same history without its last blow, are used again.
    """
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
