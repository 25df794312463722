"""What readings after a step say about the histories of a dent: weights, strength, wrong readings.

Every history i foretells a change c_ij of the reading at place j. The readings are taken as

    d_j = b_j + s c_ij + sum_k e_k g_kj + error,
    s ~ N(m, STRENGTH^2),    e_k ~ N(0, 1),    error ~ N(0, noise^2 + (MODEL |c_ij|)^2)

with the deviation b_j before the step, one strength s for the whole step, which stands for what
all histories have wrong alike (edges, increments, the hand), and what a sheet one standard error
thicker or harder would add, g_k, where that is known. s and e are integrated out, so the evidence
of a history is that of a Gaussian (Bishop 2006, eq. 2.115), and its weight is multiplied by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
STRENGTH_STANDARD_ERROR = 0.3
"""Standard error of a step's strength: three in four of the light taps of the blind test are
foretold within it (docs/reconstruction.md)."""
CHANGE_STANDARD_ERROR = 0.15
"""Standard error of a foretold change at one place beside the others, over that change; from the
same test."""
SLIP_STANDARD_ERRORS = 4.5
"""A reading further off than so many of its standard errors, seen from the others, is no reading of
this place."""
MOST_SLIPS = 0.25
"""Share of the readings that may have slipped; with more the file is not believed at all."""


@dataclass(frozen=True)
class Usual:
    """Strength of a step before anything was read of it, and its standard error."""

    strength: float = 1.0
    error: float = STRENGTH_STANDARD_ERROR


AS_FORETOLD = Usual()


@dataclass(frozen=True)
class Learned:
    """What readings taught.

    Attributes
    ----------
    before, weights : (m,) prior and posterior weights.
    strength : (m,) by how much the step did more than each history foretold, 1 for as foretold.
    strength_error : (m,) its standard error.
    slips : numbers of the readings that are not believed.
    foreign : whether the readings as a whole are not of this panel after this step; then nothing
        is learned.
    off : (n,) how far each reading lies from what the best history makes of the others, in
        standard errors.
    sheet : (m, p) by how many standard errors the sheet is off in each way that was given.
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
    """Weigh histories by readings after a step.

    Parameters
    ----------
    standing_mm : (m, n) deviation at the n places before the step, in each of m histories;
    change_mm : (m, n) what each foretells of the step there; readings_mm : (n,) deviations read
    after it; weights : (m,) prior, adding up to 1; noise_mm : standard error of a reading; usual :
    strength before anything was read; sheet_mm : (p, n) what is added to the changes by a sheet one
    standard error off in each of p ways.

    Readings that no history allows, seen from the others, are left out one after the other, the
    furthest first; where more than a quarter of them would go, or fewer than two would stay, the
    file is foreign.
    """
    standing, change = np.atleast_2d(standing_mm).astype(float), np.atleast_2d(change_mm)
    read, belief = np.asarray(readings_mm, float), np.asarray(weights, float)
    belief = belief / belief.sum()
    change = np.asarray(change, float)
    ways = np.zeros((0, read.size)) if sheet_mm is None else np.atleast_2d(sheet_mm).astype(float)
    gap = read[None, :] - standing - usual.strength * change
    error2 = noise_mm**2 + (CHANGE_STANDARD_ERROR * change) ** 2
    use = np.ones(read.size, dtype=bool)
    slips: list[int] = []
    while True:
        off = _off(gap, change, error2, use, usual, ways)
        nearest = np.min(np.abs(off), axis=0)
        worst = int(np.argmax(np.where(use, nearest, 0.0)))
        if not nearest[worst] > SLIP_STANDARD_ERRORS:
            break
        slips.append(worst)
        use[worst] = False
        if use.sum() < 2 or len(slips) > MOST_SLIPS * read.size:
            return Learned(tuple(belief), tuple(belief), (usual.strength,) * len(belief),
                           (usual.error,) * len(belief), (), True, tuple(nearest),
                           ((0.0,) * len(ways),) * len(belief))
    told = [_evidence(g[use], np.vstack([c, ways])[:, use], e[use], usual)
            for g, c, e in zip(gap, change, error2, strict=True)]
    evidence = np.array([log for log, _, _ in told])
    after = belief * np.exp(evidence - evidence.max())
    after /= after.sum()
    return Learned(tuple(map(float, belief)), tuple(map(float, after)),
                   tuple(usual.strength + float(found[0]) for _, found, _ in told),
                   tuple(float(np.sqrt(spread[0, 0])) for _, _, spread in told),
                   tuple(sorted(slips)), False, tuple(map(float, nearest)),
                   tuple(tuple(map(float, found[1:])) for _, found, _ in told))


def _evidence(gap: Array, ways: Array, error2: Array, usual: Usual) -> tuple[float, Array, Array]:
    """Logarithm of the evidence of one history; mean and covariance of what is not known of it.

    gap (n,) readings less what is foretold as usual; ways (q, n) what one unit of each unknown
    adds, the strength first, then the sheet; their prior is normal about 0 (Bishop 2006, eq. 3.49,
    3.86).
    """
    prior = np.ones(len(ways))
    prior[0] = 1.0 / usual.error**2
    precision = np.diag(prior) + (ways / error2) @ ways.T
    pull = (ways / error2) @ gap
    spread = np.asarray(np.linalg.inv(precision), dtype=float)
    found = spread @ pull
    log = -0.5 * float((gap**2 / error2 + np.log(error2)).sum()) + 0.5 * float(pull @ found)
    log -= 0.5 * float(np.linalg.slogdet(precision)[1] - np.log(prior).sum())
    return log, found, spread


def _off(gap: Array, change: Array, error2: Array, use: NDArray[np.bool_], usual: Usual,
         sheet: Array) -> Array:
    """(m, n) distance of each reading from what the others that count foretell, in its standard
    errors."""
    off = np.zeros_like(gap)
    for j in range(gap.shape[1]):
        others = use.copy()
        others[j] = False
        for i in range(gap.shape[0]):
            ways = np.vstack([change[i], sheet])
            _, found, spread = _evidence(gap[i, others], ways[:, others], error2[i, others], usual)
            error = np.sqrt(error2[i, j] + ways[:, j] @ spread @ ways[:, j])
            off[i, j] = (gap[i, j] - found @ ways[:, j]) / error
    return off


def telling_places(change_mm: Array, weights: ArrayLike, noise_mm: float, xy_mm: Array,
                   count: int = 5, apart_mm: float = 8.0) -> tuple[list[int], float]:
    """The places whose readings would tell histories apart most, and how surely.

    change_mm (m, n) as foretold at n places xy_mm (n, 2). Greedy: each place adds most to

        sum over pairs i < j of w_i w_j (1 - exp(-D_ij)) / sum over pairs of w_i w_j

    where D_ij is Bhattacharyya's distance of what the two histories foretell (for equal errors a
    quarter of half the squared difference over the squared error): 0 says the tap tells nothing,
    1 that it tells all apart.
    """
    belief = np.asarray(weights, float) / np.sum(weights)
    pairs = [(i, j) for i in range(len(belief)) for j in range(i)]
    share = np.array([belief[i] * belief[j] for i, j in pairs])
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
