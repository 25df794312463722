"""Least squares over the places, directions and sizes of blows, and all travels but the last.

Damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963). The first derivatives are finite
differences; later they are corrected by Broyden's update (1965). The travel of the last blow is
eliminated: one loading gives the shapes of many travels, and that nearest to the readings gives the
residual.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.history.deep.family import Fit
from simkit.history.deep.readings import Array
from simkit.history.strike import SIZE_FIELDS, Blow

Blows = tuple[Blow, ...]
Names = tuple[tuple[int, str], ...]
"""Unknowns: (number of the blow, name of its field)."""
Measure = Callable[[Blows], tuple[Blows, Fit] | None]
"""Function that computes blows, the last one with several travels; returns the blows with the best
travel and the fit; None if no equilibrium is found."""
SCALES = {"x_mm": 6.0, "y_mm": 6.0, "angle_deg": 8.0, "radius_mm": 0.15, "length_mm": 0.25,
          "width_mm": 0.25, "travel_mm": 1.0}
"""Scale of each unknown, the step of its finite difference; for sizes a step of the logarithm."""
FREE = {"ball": ("x_mm", "y_mm"),
        "cylinder": ("x_mm", "y_mm", "angle_deg", "length_mm"),
        "edge": ("x_mm", "y_mm", "angle_deg", "length_mm"),
        "disc": ("x_mm", "y_mm", "width_mm"),
        "block": ("x_mm", "y_mm", "angle_deg", "length_mm", "width_mm")}
"""Unknowns of each kind. The radius of a ball can hardly be determined from a deep dent, and a
wrong radius falsifies the effect of the next pull; so it keeps the value estimated from the width
of the low."""
RADIUS_SHOWS_FROM = 0.5
"""Travel over radius above which the radius of a ball that is roughly known is corrected too,
because the sheet is then in contact with much of it (travel 42 mm, 60 mm given, 70 true: 67 found;
travel 9 mm, 25 given, 30 true: 20 would be found)."""
ENDS = {"radius_mm": (3.0, 400.0), "length_mm": (5.0, 1500.0), "width_mm": (5.0, 1500.0),
        "travel_mm": (0.5, 120.0)}
"""Limits of the unknowns."""
ROUGHLY = {"x_mm": 10.0, "y_mm": 10.0, "angle_deg": 15.0, "radius_mm": 0.35, "length_mm": 0.35,
           "width_mm": 0.35}
"""Standard errors of numbers that were seen roughly, of sizes that of the logarithm: estimates, no
source. Travels are left to the readings."""
ERRING_TOGETHER = 9.0
"""Number of neighbouring readings that count as one, because model and mesh err in all of them
alike: an estimate."""
LARGEST_STEP_SCALES = 3.0
"""Largest step of one unknown, in scales."""
LAST_STEP_MISFIT_SHARE = 0.95
"""A step that reduces the misfit by less than 5 % is a poor one."""
POOR_STEPS_ONE_BLOW, POOR_STEPS_SEVERAL = 1, 3
"""Number of successive poor steps that end a descent: with one blow, and with several, whose
derivatives are less accurate and are still improved by Broyden's update."""


@dataclass(frozen=True)
class Found:
    """Blows with their travels, their fit, and the derivatives ``slopes`` (n, names) of the
    readings, mm per scale of each unknown."""

    blows: Blows
    fit: Fit
    slopes: Array
    names: Names

    @property
    def rms_mm(self) -> float:
        """Misfit at the readings, mm."""
        return self.fit.rms_mm

    def words(self) -> str:
        """Short description."""
        return " and then ".join(blow.words() for blow in self.blows)


def names_of(blows: Blows, known: bool = False) -> Names:
    """Unknowns of a sequence of blows.

    The unknowns of each blow's kind, the radius of balls that are roughly ``known`` where it can be
    determined, and the travel of all blows but the last.
    """
    last = len(blows) - 1
    return tuple((k, name) for k, blow in enumerate(blows)
                 for name in (*FREE[blow.kind],
                              *(("radius_mm",) if known and _radius_shows(blow) else ()),
                              *(("travel_mm",) if k < last else ())))


def _radius_shows(blow: Blow) -> bool:
    """Whether the radius of a blow can be determined from its dent."""
    return blow.kind == "ball" and (blow.travel_mm or 0.0) > RADIUS_SHOWS_FROM * blow.radius_mm


def moved(blows: Blows, names: Names, step: Array) -> Blows:
    """Blows changed by a step in scales."""
    new: list[dict[str, Any]] = [{} for _ in blows]
    for (k, name), amount in zip(names, step, strict=True):
        value, change = getattr(blows[k], name), SCALES[name] * float(amount)
        wanted = float(value * np.exp(change)) if name in SIZE_FIELDS else float(value + change)
        low, high = ENDS.get(name, (-np.inf, np.inf))
        new[k][name] = float(np.clip(wanted, low, high))
    return tuple(replace(blow, **values) for blow, values in zip(blows, new, strict=True))


def slopes_by_trial(measure: Measure, blows: Blows, fit: Fit, names: Names) -> Array:
    """Derivatives (n, names) of the readings by each unknown, per scale: one trial each."""
    columns = []
    for k in range(len(names)):
        step = np.zeros(len(names))
        step[k] = 1.0
        seen = measure(moved(blows, names, step))
        columns.append(np.zeros_like(fit.d_mm) if seen is None
                       else _without(seen[1].d_mm - fit.d_mm, fit.rate))
    return np.stack(columns, axis=1)


def _without(change: Array, rate: Array) -> Array:
    """The part of a change that is orthogonal to the effect of the last travel, ``rate``, because
    that travel is chosen anew in every trial."""
    size = float(rate @ rate)
    return change - (float(change @ rate) / size) * rate if size > 0.0 else change


def apart_from(known: Blows, blows: Blows, names: Names) -> tuple[Array, Array]:
    """How far unknowns are from roughly known ones, in scales; and 1 / (standard error)^2 of the
    latter per scale, 0 where nothing is known."""
    apart, sure = np.zeros(len(names)), np.zeros(len(names))
    for i, (k, name) in enumerate(names):
        if k < len(known) and name in ROUGHLY:
            here, there = getattr(blows[k], name), getattr(known[k], name)
            gap = np.log(here / there) if name in SIZE_FIELDS else here - there
            apart[i] = gap / SCALES[name]
            sure[i] = (SCALES[name] / ROUGHLY[name]) ** 2
    return apart, sure


def descend(measure: Measure, wanted: Array, start: Found, rounds: int, stop_mm: float,
            known: Blows = ()) -> Found:
    """Correct blows as long as that reduces the misfit, or the sum below; return the last ones so
    found, with updated slopes.

    Numbers of roughly ``known`` blows are kept near: the sum of squares to be reduced is then
    sum r^2 + ERRING_TOGETHER rms^2 sum (change / standard error)^2, a normal prior with the present
    misfit as the error of the readings.
    """
    best, slopes, damping, poor = start, start.slopes.copy(), 0.05, 0
    enough = POOR_STEPS_ONE_BLOW if len(start.blows) == 1 else POOR_STEPS_SEVERAL
    for _ in range(rounds):
        if best.rms_mm <= stop_mm or not best.names or poor >= enough:
            break
        apart, sure = apart_from(known, best.blows, best.names)
        stiff = ERRING_TOGETHER * best.rms_mm**2 * sure
        step = _step(slopes, wanted - best.fit.d_mm, best.fit.rate, damping, apart, stiff)
        seen = measure(moved(best.blows, best.names, step))
        if seen is None:
            damping *= 10.0
            continue
        change = _without(seen[1].d_mm - best.fit.d_mm, best.fit.rate)
        slopes = slopes + np.outer(change - slopes @ step, step) / max(float(step @ step), 1e-9)
        nearer, _ = apart_from(known, seen[0], best.names)
        gain = wanted.size * (best.rms_mm**2 - seen[1].rms_mm**2) + float(
            stiff @ (apart**2 - nearer**2))
        if gain > 0.0:
            poor = poor + 1 if seen[1].rms_mm > LAST_STEP_MISFIT_SHARE * best.rms_mm else 0
            best, damping = Found(seen[0], seen[1], slopes, best.names), 0.3 * damping
        else:
            damping *= 10.0
    return replace(best, slopes=slopes)


def _step(slopes: Array, gap: Array, rate: Array, damping: float, apart: Array, stiff: Array
          ) -> Array:
    """Damped Gauss-Newton step in scales, for the gap without the effect of the last travel;
    ``stiff``: weights with which the unknowns are drawn back to what they are ``apart`` from."""
    gap = _without(gap, rate)
    normal = slopes.T @ slopes
    normal += damping * max(float(np.trace(normal)) / len(normal), 1e-12) * np.eye(len(normal))
    normal += np.diag(stiff)
    return np.clip(np.linalg.solve(normal, slopes.T @ gap - stiff * apart), -LARGEST_STEP_SCALES,
                   LARGEST_STEP_SCALES)
