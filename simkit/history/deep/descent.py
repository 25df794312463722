"""Least squares over the places, directions and sizes of blows; the last one's travel comes free.

Gauss-Newton with differences for the first slopes and Broyden's update (1965) after that, steps
damped (Levenberg 1944, Marquardt 1963); the member of the last blow's family nearest to the
readings gives the residual, so that its travel is eliminated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.history.deep.family import Fit
from simkit.history.deep.readings import Array
from simkit.history.strike import Blow

Blows = tuple[Blow, ...]
Names = tuple[tuple[int, str], ...]
"""Numbers that are corrected: which blow, which of its fields."""
Measure = Callable[[Blows], tuple[Blows, Fit] | None]
"""Blows carried out, the last one about its travel, and what lies nearest to the readings."""
SCALES = {"x_mm": 6.0, "y_mm": 6.0, "angle_deg": 8.0, "radius_mm": 0.15, "length_mm": 0.25,
          "width_mm": 0.25, "travel_mm": 1.0}
"""Step by which a number is changed to see what it does; of sizes, in their logarithm."""
FREE = {"ball": ("x_mm", "y_mm"),
        "cylinder": ("x_mm", "y_mm", "angle_deg", "length_mm"),
        "edge": ("x_mm", "y_mm", "angle_deg", "length_mm"),
        "block": ("x_mm", "y_mm", "angle_deg", "length_mm", "width_mm")}
"""What is corrected of each kind. The radius of a ball can hardly be read from a deep dent, and a
wrong one spoils what the next pull does: it stays as the low's width suggests it."""
RADIUS_SHOWS_FROM = 0.5
"""Travel over the radius from which a ball known roughly gets its radius corrected, too: the sheet
has wrapped itself round it (travel 42 mm, 60 mm given, 70 true: 67 found; travel 9 mm, 25 given, 30
true: 20 would be found)."""
ENDS = {"radius_mm": (3.0, 400.0), "length_mm": (5.0, 1500.0), "width_mm": (5.0, 1500.0),
        "travel_mm": (0.5, 120.0)}
"""Between what a number stays."""
LARGEST_STEP_SCALES = 3.0
"""Longest step in one number, in scales."""
LAST_STEP_MISFIT_SHARE = 0.95
"""A step that leaves more than this of the misfit is a poor one."""
POOR_STEPS_ONE_BLOW, POOR_STEPS_SEVERAL = 1, 3
"""Poor steps in a row that end a descent: of one blow, of several, whose slopes are known less well
and are still being learnt by Broyden's update."""


@dataclass(frozen=True)
class Found:
    """Blows with their travels, their fit, and the slopes (n, names) of the readings per scale."""

    blows: Blows
    fit: Fit
    slopes: Array
    names: Names

    @property
    def rms_mm(self) -> float:
        """Misfit at the readings, mm."""
        return self.fit.rms_mm

    def words(self) -> str:
        """In a few words, for people."""
        return " and then ".join(blow.words() for blow in self.blows)


def names_of(blows: Blows, known: bool = False) -> Names:
    """What is corrected of a sequence: of each blow what its kind leaves free, the radius of balls
    ``known`` roughly where it shows, and the travel of all but the last."""
    last = len(blows) - 1
    return tuple((k, name) for k, blow in enumerate(blows)
                 for name in (*FREE[blow.kind],
                              *(("radius_mm",) if known and _radius_shows(blow) else ()),
                              *(("travel_mm",) if k < last else ())))


def _radius_shows(blow: Blow) -> bool:
    return blow.kind == "ball" and (blow.travel_mm or 0.0) > RADIUS_SHOWS_FROM * blow.radius_mm


def moved(blows: Blows, names: Names, step: Array) -> Blows:
    """Blows changed by a step in scales."""
    new: list[dict[str, Any]] = [{} for _ in blows]
    for (k, name), amount in zip(names, step, strict=True):
        value, change = getattr(blows[k], name), SCALES[name] * float(amount)
        sized = name in ("radius_mm", "length_mm", "width_mm")
        wanted = float(value * np.exp(change)) if sized else float(value + change)
        low, high = ENDS.get(name, (-np.inf, np.inf))
        new[k][name] = float(np.clip(wanted, low, high))
    return tuple(replace(blow, **values) for blow, values in zip(blows, new, strict=True))


def slopes_by_trial(measure: Measure, blows: Blows, fit: Fit, names: Names) -> Array:
    """Change of the nearest readings per scale of each number: one trial each."""
    columns = []
    for k in range(len(names)):
        step = np.zeros(len(names))
        step[k] = 1.0
        seen = measure(moved(blows, names, step))
        columns.append(np.zeros_like(fit.d_mm) if seen is None
                       else _without(seen[1].d_mm - fit.d_mm, fit.rate))
    return np.stack(columns, axis=1)


def _without(change: Array, rate: Array) -> Array:
    """A change without what the travel does: that is set free."""
    size = float(rate @ rate)
    return change - (float(change @ rate) / size) * rate if size > 0.0 else change


def descend(measure: Measure, wanted: Array, start: Found, rounds: int, stop_mm: float) -> Found:
    """Correct blows while that helps; the best ones, with slopes kept up to date."""
    best, slopes, damping, poor = start, start.slopes.copy(), 0.05, 0
    enough = POOR_STEPS_ONE_BLOW if len(start.blows) == 1 else POOR_STEPS_SEVERAL
    for _ in range(rounds):
        if best.rms_mm <= stop_mm or not best.names or poor >= enough:
            break
        step = _step(slopes, wanted - best.fit.d_mm, best.fit.rate, damping)
        seen = measure(moved(best.blows, best.names, step))
        if seen is None:
            damping *= 10.0
            continue
        change = _without(seen[1].d_mm - best.fit.d_mm, best.fit.rate)
        slopes = slopes + np.outer(change - slopes @ step, step) / max(float(step @ step), 1e-9)
        if seen[1].rms_mm < best.rms_mm:
            poor = poor + 1 if seen[1].rms_mm > LAST_STEP_MISFIT_SHARE * best.rms_mm else 0
            best, damping = Found(seen[0], seen[1], slopes, best.names), 0.3 * damping
        else:
            damping *= 10.0
    return replace(best, slopes=slopes)


def _step(slopes: Array, gap: Array, rate: Array, damping: float) -> Array:
    """Damped step in scales; what more travel would mend is left to it."""
    gap = _without(gap, rate)
    normal = slopes.T @ slopes
    normal += damping * max(float(np.trace(normal)) / len(normal), 1e-12) * np.eye(len(normal))
    return np.clip(np.linalg.solve(normal, slopes.T @ gap), -LARGEST_STEP_SCALES,
                   LARGEST_STEP_SCALES)
