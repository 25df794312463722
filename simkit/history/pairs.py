"""A low made by two blows: a pair of balls along it, corrected by least squares.

A low of two overlapping blows looks like that of a long body. If the misfit of one blow is larger
than the trials' own error, the pair is tried. It is taken only if it explains the depths better by
more than that error (:func:`simkit.history.plausible.plainest`). The Bayesian information criterion
(Schwarz 1978), with places 12 mm apart taken as independent, would require a much smaller advantage
for the four numbers that a second ball adds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.history.strike import Blow
from simkit.history.trials import Trial, Trials, corrected

Array = NDArray[np.float64]
ROUNDS, FURTHEST_STEP_MM = 5, 8.0
OTHER_RADIUS = 1.6
"""Factor of the smaller and larger balls that are also tried: the depths hardly depend on it."""


def pair_of_balls(trials: Trials, centre_mm: tuple[float, float], angle_deg: float,
                  apart_mm: float, depth_mm: float, radius_mm: float) -> Trial:
    """The best history of two balls near ``apart_mm`` on either side of the centre of a low.

    Places and depths of both are corrected by damped Gauss-Newton steps, in which each part of the
    shape moves with the nearer ball. Smaller and larger balls at the same places are added to the
    trials.
    """
    step = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]) * apart_mm
    blows = tuple(
        Blow("ball", radius_mm, float(centre_mm[0] + s * step[0]),
             float(centre_mm[1] + s * step[1]),
             _depth(trials, centre_mm[0] + s * step[0], centre_mm[1] + s * step[1], depth_mm))
        for s in (-1.0, 1.0))
    best = _improved(trials, trials.attempt(*blows), ROUNDS)
    if best.valid:  # the later blow changes the shape of the earlier one, so the order matters
        swapped = tuple(replace(blow, depth_mm=_depth(trials, blow.x_mm, blow.y_mm, depth_mm))
                        for blow in reversed(best.blows))
        best = min(best, _improved(trials, trials.attempt(*swapped), ROUNDS),
                   key=lambda trial: trial.rms_mm)
    for factor in (1.0 / OTHER_RADIUS, OTHER_RADIUS) if best.valid else ():
        other = tuple(replace(blow, radius_mm=factor * blow.radius_mm) for blow in best.blows)
        _improved(trials, trials.attempt(*other), 1)
    return best


def _improved(trials: Trials, first: Trial, rounds: int) -> Trial:
    """Correct a pair as long as the misfit falls."""
    return corrected(trials, first, rounds, lambda best: _moved(trials, best), _between)


def _between(a: Blow, b: Blow) -> Blow:
    """The mean of two blows in place and depth."""
    return replace(a, x_mm=0.5 * (a.x_mm + b.x_mm), y_mm=0.5 * (a.y_mm + b.y_mm),
                   depth_mm=0.5 * (a.depth_mm + b.depth_mm))


def _depth(trials: Trials, x: float, y: float, least_mm: float) -> float:
    """Measured depth near a place, of the sign of ``least_mm`` and at least a fifth of it."""
    sign = float(np.sign(least_mm))
    k = int(np.argmin((trials.x - x) ** 2 + (trials.y - y) ** 2))
    return sign * max(sign * float(trials.wanted[k]), 0.2 * abs(least_mm))


def _moved(trials: Trials, trial: Trial) -> tuple[Blow, ...]:
    """Both blows with places and depths corrected by one damped Gauss-Newton step."""
    sx, sy = trials.slopes(trial)
    one, two = trial.blows
    nearer = _sides(trials, one, two)
    columns = []
    for blow, part in zip(trial.blows, (nearer, 1.0 - nearer), strict=True):
        # derivatives of the shape by the unknowns, scaled by 5 mm in place and 20 % in depth:
        # a shape that moves by a in x changes by -a d(shape)/dx; its depth acts as a factor
        columns += [-sx * part * 5.0, -sy * part * 5.0,
                    trial.d_mm * part / blow.depth_mm * 0.2 * abs(blow.depth_mm)]
    matrix = np.stack(columns, axis=1)
    gap = trials.wanted - trial.d_mm
    normal = matrix.T @ matrix
    # Levenberg: with a large misfit the linear model is poor, and the step must be short
    damping = 0.02 * gap @ gap
    move = np.clip(np.linalg.solve(normal + damping * np.eye(6), matrix.T @ gap), -1.6, 1.6)
    return tuple(_shifted(blow, move[3 * k:3 * k + 3]) for k, blow in enumerate(trial.blows))


def _shifted(blow: Blow, move: Array) -> Blow:
    """A blow changed by a step (3,) of x, y (5 mm) and depth (20 %), within limits."""
    x, y = np.clip(5.0 * move[:2], -FURTHEST_STEP_MM, FURTHEST_STEP_MM)
    deeper = float(np.clip(0.2 * move[2] * abs(blow.depth_mm), -0.5 * abs(blow.depth_mm),
                           0.5 * abs(blow.depth_mm)))
    return replace(blow, x_mm=blow.x_mm + float(x), y_mm=blow.y_mm + float(y),
                   depth_mm=blow.depth_mm + deeper)


def _sides(trials: Trials, one: Blow, two: Blow) -> Array:
    """Weight, 0 to 1, of each place with which it belongs to the first of two blows: a logistic
    function along the line between them."""
    between = np.array([two.x_mm - one.x_mm, two.y_mm - one.y_mm])
    length = max(float(np.hypot(*between)), 1.0)
    middle = 0.5 * np.array([one.x_mm + two.x_mm, one.y_mm + two.y_mm])
    along = ((trials.x - middle[0]) * between[0] + (trials.y - middle[1]) * between[1]) / length
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(along / (0.15 * length), -40.0, 40.0))))
