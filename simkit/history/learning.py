"""Bayesian update of the histories of a dent by readings after a step.

Every history i predicts a change c_ij of the reading at place j. The model of the readings is

    d_j = b_j + s c_ij + sum_k e_k g_kj + error,
    s ~ N(m, STRENGTH^2),    e_k ~ N(0, 1),    error ~ N(0, noise^2 + (MODEL |c_ij|)^2)

with the deviation b_j before the step; one strength s for the whole step, which represents the
errors that all histories have in common (edges, increments, the hand); and the change g_k for a
sheet that is thicker or harder by one standard error, if known. s and e are integrated out, so the
evidence of a history is that of a Gaussian (Bishop 2006, eq. 2.115). The posterior weight of a
history is its prior weight times its evidence, normalised.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
STRENGTH_STANDARD_ERROR = 0.3
"""Standard error of a step's strength: 75 % of the light taps of the blind test are predicted
within it (docs/reconstruction.md)."""
CHANGE_STANDARD_ERROR = 0.15
"""Standard error of a predicted change at one place relative to the other places, over that change;
from the same test."""
SLIP_STANDARD_ERRORS = 4.5
"""A reading that differs from its prediction by the other readings by more standard errors than
this is an outlier (a slip of the gauge)."""
MOST_SLIPS = 0.25
"""Largest share of outliers; with more, no reading of the file is used."""


@dataclass(frozen=True)
class Usual:
    """Prior mean of a step's strength, and its standard error."""

    strength: float = 1.0
    error: float = STRENGTH_STANDARD_ERROR


AS_FORETOLD = Usual()


@dataclass(frozen=True)
class Learned:
    """Result of the update.

    Attributes
    ----------
    before, weights : (m,) prior and posterior weights.
    strength : (m,) real over predicted effect of the step for each history, 1 if as predicted.
    strength_error : (m,) its standard error.
    slips : numbers of the readings that are outliers.
    foreign : True if the readings as a whole cannot be of this panel after this step; then the
        weights are not changed.
    off : (n,) difference of each reading from its prediction by the other readings, with the best
        history for it, in standard errors.
    sheet : (m, p) estimated deviation of the sheet in each given property, in standard errors.
    """

    before: tuple[float, ...]
    weights: tuple[float, ...]
    strength: tuple[float, ...]
    strength_error: tuple[float, ...]
    slips: tuple[int, ...]
    foreign: bool
    off: tuple[float, ...]
    sheet: tuple[tuple[float, ...], ...] = ()


def learn(standing_mm: ArrayLike, change_mm: ArrayLike, readings_mm: ArrayLike,
          weights: ArrayLike, noise_mm: float, usual: Usual = AS_FORETOLD,
          sheet_mm: ArrayLike | None = None) -> Learned:
    """Update the weights of histories by readings after a step.

    Parameters
    ----------
    standing_mm : (m, n) deviation at the n places before the step, in each of m histories.
    change_mm : (m, n) change by the step there, predicted by each history.
    readings_mm : (n,) deviations read after it.
    weights : (m,) prior weights with sum 1.
    noise_mm : standard error of a reading.
    usual : prior of the strength.
    sheet_mm : (p, n) additional change for a sheet that deviates by one standard error in each of p
        properties.

    Outliers under all histories are left out one after another, the largest first. If more than a
    quarter of the readings would be left out, or fewer than two would remain, the file is foreign.
    """
    standing, change = np.atleast_2d(standing_mm).astype(float), np.atleast_2d(change_mm)
    read, prior = np.asarray(readings_mm, float), np.asarray(weights, float)
    prior = prior / prior.sum()
    change = np.asarray(change, float)
    ways = np.zeros((0, read.size)) if sheet_mm is None else np.atleast_2d(sheet_mm).astype(float)
    # s = m + delta: the prior mean is subtracted here, so that all unknowns have prior mean 0
    gap = read[None, :] - standing - usual.strength * change
    # variances add, since the noise of a reading and the error of the model are independent
    error2 = noise_mm**2 + (CHANGE_STANDARD_ERROR * change) ** 2
    use = np.ones(read.size, dtype=bool)
    slips: list[int] = []
    while True:
        off = _off(gap, change, error2, use, usual, ways)
        # a reading is an outlier only if it is one under every history: the best one decides
        nearest = np.min(np.abs(off), axis=0)
        worst = int(np.argmax(np.where(use, nearest, 0.0)))
        if not nearest[worst] > SLIP_STANDARD_ERRORS:
            break
        slips.append(worst)
        use[worst] = False
        if use.sum() < 2 or len(slips) > MOST_SLIPS * read.size:
            return Learned(tuple(prior), tuple(prior), (usual.strength,) * len(prior),
                           (usual.error,) * len(prior), (), True, tuple(nearest),
                           ((0.0,) * len(ways),) * len(prior))
    told = [_evidence(g[use], np.vstack([c, ways])[:, use], e[use], usual)
            for g, c, e in zip(gap, change, error2, strict=True)]
    evidence = np.array([log for log, _, _ in told])
    # a common factor of all evidences cancels; without the maximum the exponentials may underflow
    after = prior * np.exp(evidence - evidence.max())
    after /= after.sum()
    return Learned(tuple(map(float, prior)), tuple(map(float, after)),
                   tuple(usual.strength + float(found[0]) for _, found, _ in told),
                   tuple(float(np.sqrt(spread[0, 0])) for _, _, spread in told),
                   tuple(sorted(slips)), False, tuple(map(float, nearest)),
                   tuple(tuple(map(float, found[1:])) for _, found, _ in told))


def _evidence(gap: Array, ways: Array, error2: Array, usual: Usual) -> tuple[float, Array, Array]:
    """Logarithm of the evidence of one history; mean and covariance of its unknowns.

    gap (n,) readings less their prediction with the prior mean of the strength; ways (q, n) effect
    of one unit of each unknown, the strength first, then the sheet; error2 (n,) variances. The
    prior of the unknowns is normal with mean 0 (Bishop 2006, eq. 3.49, 3.86).
    """
    # A = P + W S^-1 W^T, mean = A^-1 W S^-1 g, with the prior precision P and the variances S
    prior = np.ones(len(ways))
    prior[0] = 1.0 / usual.error**2
    precision = np.diag(prior) + (ways / error2) @ ways.T
    pull = (ways / error2) @ gap
    spread = np.asarray(np.linalg.inv(precision), dtype=float)
    found = spread @ pull
    # log N(g; 0, S + W^T P^-1 W) without its constant, by the matrix inversion and determinant
    # lemmas: -(g^T S^-1 g + log|S|) / 2 + b^T A^-1 b / 2 - (log|A| - log|P|) / 2, b = W S^-1 g
    log = -0.5 * float((gap**2 / error2 + np.log(error2)).sum()) + 0.5 * float(pull @ found)
    log -= 0.5 * float(np.linalg.slogdet(precision)[1] - np.log(prior).sum())
    return log, found, spread


def _off(gap: Array, change: Array, error2: Array, use: NDArray[np.bool_], usual: Usual,
         sheet: Array) -> Array:
    """(m, n) difference of each reading from its prediction by the other readings in use, in
    standard errors."""
    off = np.zeros_like(gap)
    for j in range(gap.shape[1]):
        others = use.copy()
        others[j] = False
        for i in range(gap.shape[0]):
            ways = np.vstack([change[i], sheet])
            _, found, spread = _evidence(gap[i, others], ways[:, others], error2[i, others], usual)
            # variance of a new reading: its own error and that of the unknowns, w^T A^-1 w
            error = np.sqrt(error2[i, j] + ways[:, j] @ spread @ ways[:, j])
            off[i, j] = (gap[i, j] - found @ ways[:, j]) / error
    return off


def telling_places(change_mm: Array, weights: ArrayLike, noise_mm: float, xy_mm: Array,
                   count: int = 5, apart_mm: float = 8.0) -> tuple[list[int], float]:
    """The places whose readings would distinguish the histories best, and a measure how well.

    change_mm (m, n) predicted changes at n places xy_mm (n, 2). Greedy choice: each place increases
    most the measure

        sum over pairs i < j of w_i w_j (1 - exp(-D_ij)) / sum over pairs of w_i w_j

    where D_ij is the Bhattacharyya distance of the two predictions (its part by the means), the sum
    over the chosen places of difference^2 / (4 (error_i^2 + error_j^2)). The measure is 0 if the
    readings distinguish no histories and 1 if they distinguish all.
    """
    prior = np.asarray(weights, float) / np.sum(weights)
    pairs = [(i, j) for i in range(len(prior)) for j in range(i)]
    share = np.array([prior[i] * prior[j] for i, j in pairs])
    if not pairs or not share.sum() > 0.0:
        return [], 0.0
    error2 = noise_mm**2 + (CHANGE_STANDARD_ERROR * change_mm) ** 2
    distance = np.array([(change_mm[i] - change_mm[j]) ** 2 / (4.0 * (error2[i] + error2[j]))
                         for i, j in pairs])
    chosen: list[int] = []
    total, free = np.zeros(len(pairs)), np.ones(change_mm.shape[1], dtype=bool)
    for _ in range(count):
        if not free.any():
            break
        told = share @ (1.0 - np.exp(-(total[:, None] + distance)))
        best = int(np.argmax(np.where(free, told, -1.0)))
        chosen.append(best)
        total = total + distance[:, best]
        free &= np.hypot(*(xy_mm - xy_mm[best]).T) >= apart_mm
    return chosen, float(share @ (1.0 - np.exp(-total)) / share.sum())
