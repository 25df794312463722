"""Histories that the depth field cannot distinguish, their weights, and bands of predictions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simkit.history.strike import FLAT, KINDS
from simkit.history.trials import Trial

ALIKE_MM = 0.01
"""A simpler history is taken if its misfit is not larger than hypot(smallest misfit, this): the
error that 0.02 mm of noise in single readings causes in a field averaged over about a dozen."""
MODEL_MM = 0.015
"""Error of the trials' shapes from their coarse mesh and long increments (rms, determined with
balls of known radius); histories whose misfits differ by less cannot be distinguished."""
FINE_MM = 0.01
"""The same for histories computed on the fine mesh."""
COUNTED_SHARE = 0.05
"""Histories with less than this share of the largest weight do not widen a band."""
BAND_HISTORIES = 4
"""Histories computed on the fine mesh for a band."""
LAW = {"flow stress": 4.0, "thickness": 2.5}
"""Standard errors, %, of a real sheet against the case's data. Common practice, no source."""


@dataclass(frozen=True)
class Plausible:
    """A plausible history, and its posterior weight (the weights have the sum 1)."""

    trial: Trial
    weight: float


@dataclass(frozen=True)
class Band:
    """A prediction (mm) and its range by the plausible histories."""

    predicted_mm: float
    low_mm: float
    high_mm: float


def plainness(trial: Trial) -> tuple[int, int]:
    """Sort key that puts simpler histories first: fewer blows, then simpler bodies."""
    return len(trial.blows), max(KINDS.index(blow.kind) for blow in trial.blows)


def plainest(trials: Sequence[Trial]) -> Trial:
    """The simplest history that explains the depth field as well as the best one; of several of one
    kind, that with the median radius."""
    least = min(t.rms_mm for t in trials)
    alike = [t for t in trials if t.rms_mm <= np.hypot(least, ALIKE_MM)]
    first = min(plainness(t) for t in alike)
    same = sorted((t for t in alike if plainness(t) == first), key=lambda t: t.blows[0].radius_mm)
    return same[len(same) // 2]


def plausible(trials: Sequence[Trial], members: int = BAND_HISTORIES) -> tuple[Plausible, ...]:
    """The simplest good history and different ones within the trials' own error, with weights."""
    chosen = [plainest(trials)]
    least = min(t.rms_mm for t in trials)
    for trial in sorted(trials, key=lambda t: t.rms_mm):
        if trial.rms_mm > np.hypot(least, 2.0 * MODEL_MM) or len(chosen) == members:
            break
        if not any(_like(trial, other) for other in chosen):
            chosen.append(trial)
    shares = weights([t.rms_mm for t in chosen], MODEL_MM)
    return tuple(Plausible(t, s) for t, s in zip(chosen, shares, strict=True))


def weights(misfits_mm: Sequence[float], error_mm: float = FINE_MM) -> list[float]:
    """Posterior weights by misfit, for computed shapes with an error of ``error_mm`` (rms).

    weight ~ exp(-misfit^2 / (2 error^2)), normalised.
    """
    square = np.asarray(misfits_mm, float) ** 2
    share = np.exp(-0.5 * (square - square.min()) / error_mm**2)
    return [float(s) for s in share / share.sum()]


def _like(a: Trial, b: Trial) -> bool:
    """Whether two histories are practically the same."""
    if len(a.blows) != len(b.blows):
        return False
    for one, other in zip(a.blows, b.blows, strict=True):
        if one.kind != other.kind or abs(np.log(one.radius_mm / other.radius_mm)) > 0.35:
            return False
        if one.kind in FLAT and abs(np.log(one.width_mm / other.width_mm)) > 0.35:
            return False
    return True


def band(changes_mm: ArrayLike, belief: ArrayLike, room_share: float) -> Band:
    """Prediction and band from the change that each history predicts, and its posterior weight.

    ``belief``: posterior weights. The prediction is the weighted mean. The band is the range of the
    histories that count, widened at both ends by ``room_share`` of the prediction, which is
    calibrated with blind dents of known history (:mod:`simkit.history.calibrated`).
    """
    values, shares = np.asarray(changes_mm, float), np.asarray(belief, float)
    middle = float((values * shares).sum() / shares.sum())
    low, high = spanned(values, shares)
    room = room_share * abs(middle)
    return Band(middle, min(low - room, middle), max(high + room, middle))


def spanned(changes_mm: ArrayLike, belief: ArrayLike) -> tuple[float, float]:
    """Range of the changes predicted by the histories that count; ``belief``: their weights."""
    values, shares = np.asarray(changes_mm, float), np.asarray(belief, float)
    counted = values[shares > COUNTED_SHARE * shares.max()]
    return float(counted.min()), float(counted.max())
