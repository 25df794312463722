"""Which histories the depth field cannot tell apart, how much each counts, what they foretell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simkit.history.trials import Trial

PLAINNESS = ("ball", "cylinder", "edge", "block")
"""Kinds of body, plainest first; fewer blows are plainer than more."""
ALIKE_MM = 0.01
"""A plainer history is taken where its misfit is no larger than this together with the least one:
what 0.02 mm of noise in single readings leaves in a field that averages some dozen of them."""
MODEL_MM = 0.015
"""Error of the trials' shapes from their coarse mesh and long increments (rms, measured on balls
of known radius); histories whose misfits differ by less than this cannot be told apart."""
FINE_MM = 0.01
"""The same for histories carried out in full."""
COUNTED_SHARE = 0.05
"""Histories with less than this share of the likeliest one's weight do not widen a band."""
BAND_HISTORIES = 4
"""Histories carried out in full for a band."""
LAW = {"flow stress": 4.0, "thickness": 2.5}
"""Standard errors, %, of a real sheet about the case's. Common practice, no source."""


@dataclass(frozen=True)
class Plausible:
    """A history that may have been, and its posterior weight (weights add up to 1)."""

    trial: Trial
    weight: float


@dataclass(frozen=True)
class Band:
    """A prediction (mm) and the range that plausible histories leave it."""

    predicted_mm: float
    low_mm: float
    high_mm: float


def plainness(trial: Trial) -> tuple[int, int]:
    """Sorts plainer histories first."""
    return len(trial.blows), max(PLAINNESS.index(blow.kind) for blow in trial.blows)


def plainest(trials: Sequence[Trial]) -> Trial:
    """The plainest history that explains the depth field as well as the best does; of several of
    one kind, that of the middle radius."""
    least = min(t.rms_mm for t in trials)
    alike = [t for t in trials if t.rms_mm <= np.hypot(least, ALIKE_MM)]
    first = min(plainness(t) for t in alike)
    same = sorted((t for t in alike if plainness(t) == first), key=lambda t: t.blows[0].radius_mm)
    return same[len(same) // 2]


def plausible(trials: Sequence[Trial], members: int = BAND_HISTORIES) -> tuple[Plausible, ...]:
    """The plainest good history and others unlike it within the trials' own error, weighted."""
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
    """Posterior weights by misfit, for shapes that are wrong by ``error_mm`` themselves (rms)."""
    square = np.asarray(misfits_mm, float) ** 2
    share = np.exp(-0.5 * (square - square.min()) / error_mm**2)
    return [float(s) for s in share / share.sum()]


def _like(a: Trial, b: Trial) -> bool:
    """Whether two histories are as good as the same."""
    if len(a.blows) != len(b.blows):
        return False
    for one, other in zip(a.blows, b.blows, strict=True):
        if one.kind != other.kind or abs(np.log(one.radius_mm / other.radius_mm)) > 0.35:
            return False
        if one.kind == "block" and abs(np.log(one.width_mm / other.width_mm)) > 0.35:
            return False
    return True


def band(changes_mm: ArrayLike, belief: ArrayLike, room_share: float) -> Band:
    """Prediction and band from what each plausible history predicts and its posterior weight.

    The band is the range of the histories that count, wider at both ends by ``room_share`` of the
    prediction: what blind dents of known history ask for beyond that range
    (:mod:`simkit.history.calibrated`).
    """
    values, shares = np.asarray(changes_mm, float), np.asarray(belief, float)
    middle = float((values * shares).sum() / shares.sum())
    low, high = spanned(values, shares)
    room = room_share * abs(middle)
    return Band(middle, min(low - room, middle), max(high + room, middle))


def spanned(changes_mm: ArrayLike, belief: ArrayLike) -> tuple[float, float]:
    """Range of what the histories that count predict."""
    values, shares = np.asarray(changes_mm, float), np.asarray(belief, float)
    counted = values[shares > COUNTED_SHARE * shares.max()]
    return float(counted.min()), float(counted.max())
