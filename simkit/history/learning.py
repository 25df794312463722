"""What readings after a step say about the histories of a dent: weights, strength, wrong readings.

Every history i foretells a change c_ij of the reading at place j. The readings are taken as

    d_j = b_j + s c_ij + error,    s ~ N(m, STRENGTH^2),    error ~ N(0, noise^2 + (MODEL |c_ij|)^2)

with the deviation b_j before the step and one strength s for the whole step, which stands for what
all histories have wrong alike (sheet, edges, the hand). s is integrated out, so the evidence of a
history is that of a Gaussian (Bishop 2006, eq. 2.115), and its weight is multiplied by it.
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
    """

    before: tuple[float, ...]
    weights: tuple[float, ...]
    strength: tuple[float, ...]
    strength_error: tuple[float, ...]
    slips: tuple[int, ...]
    foreign: bool
    off: tuple[float, ...]


def learn(standing_mm: ArrayLike, change_mm: ArrayLike, readings_mm: ArrayLike,
          weights: ArrayLike, noise_mm: float, usual: Usual = AS_FORETOLD) -> Learned:
    """Weigh histories by readings after a step.

    Parameters
    ----------
    standing_mm : (m, n) deviation at the n places before the step, in each of m histories;
    change_mm : (m, n) what each foretells of the step there; readings_mm : (n,) deviations read
    after it; weights : (m,) prior, adding up to 1; noise_mm : standard error of a reading; usual :
    strength before anything was read.

    Readings that no history allows, seen from the others, are left out one after the other, the
    furthest first; where more than a quarter of them would go, or fewer than two would stay, the
    file is foreign.
    """
    standing, change = np.atleast_2d(standing_mm).astype(float), np.atleast_2d(change_mm)
    read, belief = np.asarray(readings_mm, float), np.asarray(weights, float)
    belief = belief / belief.sum()
    change = np.asarray(change, float)
    gap = read[None, :] - standing - change
    error2 = noise_mm**2 + (CHANGE_STANDARD_ERROR * change) ** 2
    use = np.ones(read.size, dtype=bool)
    slips: list[int] = []
    while True:
        off = _off(gap, change, error2, use, usual)
        nearest = np.min(np.abs(off), axis=0)
        worst = int(np.argmax(np.where(use, nearest, 0.0)))
        if not nearest[worst] > SLIP_STANDARD_ERRORS:
            break
        slips.append(worst)
        use[worst] = False
        if use.sum() < 2 or len(slips) > MOST_SLIPS * read.size:
            return Learned(tuple(belief), tuple(belief), (usual.strength,) * len(belief),
                           (usual.error,) * len(belief), (), True, tuple(nearest))
    evidence, strength, spread = (np.array(v) for v in zip(*(
        _evidence(g[use], c[use], e[use], usual)
        for g, c, e in zip(gap, change, error2, strict=True)), strict=True))
    after = belief * np.exp(evidence - evidence.max())
    after /= after.sum()
    return Learned(tuple(map(float, belief)), tuple(map(float, after)),
                   tuple(map(float, strength)), tuple(map(float, spread)),
                   tuple(sorted(slips)), False, tuple(map(float, nearest)))


def _evidence(gap: Array, change: Array, error2: Array, usual: Usual
              ) -> tuple[float, float, float]:
    """Logarithm of the evidence, the strength and its standard error, of one history."""
    gap = gap - (usual.strength - 1.0) * change
    precision = 1.0 / usual.error**2 + float((change**2 / error2).sum())
    pull = float((change * gap / error2).sum())
    log = -0.5 * float((gap**2 / error2 + np.log(error2)).sum())
    log += 0.5 * pull**2 / precision - 0.5 * np.log(precision * usual.error**2)
    return log, usual.strength + pull / precision, float(precision**-0.5)


def _off(gap: Array, change: Array, error2: Array, use: NDArray[np.bool_], usual: Usual
         ) -> Array:
    """(m, n) distance of each reading from what the others that count foretell, in its standard
    errors."""
    off = np.zeros_like(gap)
    for j in range(gap.shape[1]):
        others = use.copy()
        others[j] = False
        for i in range(gap.shape[0]):
            _, strength, spread = _evidence(gap[i, others], change[i, others], error2[i, others],
                                            usual)
            error = np.sqrt(error2[i, j] + (spread * change[i, j]) ** 2)
            off[i, j] = (gap[i, j] - (strength - 1.0) * change[i, j]) / error
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
