"""Looking ahead by adding influence fields: which first steps lead furthest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.strategy.planner.influence import Way
from simkit.strategy.planner.yardstick import Yardstick, power_at

Array = NDArray[np.float64]
SHARES = np.array([0.05, 0.1, 0.17, 0.27, 0.4, 0.6, 1.0])
"""Changes at the place that are tried, over the largest."""
PICKED = 80
"""So many candidates, by the slope of the merit, are looked at closely; fewer further ahead."""


@dataclass(frozen=True)
class Pool:
    """Candidates: ways and places, with their influence (m, 3, n) per mm, signed as they act."""

    ways: tuple[Way, ...]
    x_mm: Array
    y_mm: Array
    influence: Array

    def signs(self) -> Array:
        """(m,) direction in which each moves the sheet."""
        return np.array([way.sign for way in self.ways])


@dataclass(frozen=True)
class Ahead:
    """A first step and where it leads: candidate, change at its place mm, merit after it, merit
    after the best steps foreseen behind it."""

    candidate: int
    change_mm: float
    merit: float
    later: float


def best_steps(yard: Yardstick, parts: Array, pool: Pool, largest_mm: float, power: int,
               picked: int = PICKED) -> list[tuple[int, float, float]]:
    """(candidate, change mm, merit) of the best change of each candidate that promises most."""
    signs = pool.signs()
    unit = pool.influence * signs[:, None, None]
    slope = (unit * yard.slope_of_merit(parts, power)).sum(axis=(1, 2))
    order = np.argsort(slope)[:picked]
    order = order[slope[order] < 0.0]
    if order.size == 0:
        return []
    changes = largest_mm * SHARES
    tried = parts + changes[None, :, None, None] * unit[order][:, None]
    merit = yard.merit(tried, power)
    which = merit.argmin(axis=1)
    found = [(int(k), float(signs[k] * changes[w]), float(merit[row, w]))
             for row, (k, w) in enumerate(zip(order, which, strict=True))]
    return sorted(found, key=lambda item: item[2])


def look_ahead(yard: Yardstick, parts: Array, pool: Pool, largest_mm: float, power: int,
               width: int = 24, depth: int = 2) -> list[Ahead]:
    """First steps, the one that leads furthest within ``depth`` steps first."""
    firsts = best_steps(yard, parts, pool, largest_mm, power)[:width]
    found = []
    for candidate, change, merit in firsts:
        after = parts + change * pool.influence[candidate]
        later = merit
        for _ in range(depth - 1):
            best = best_steps(yard, after, pool, largest_mm, power, PICKED // 3)
            if not best or best[0][2] >= later:
                break
            after = after + best[0][1] * pool.influence[best[0][0]]
            later = best[0][2]
        found.append(Ahead(candidate, change, merit, later))
    return sorted(found, key=lambda item: item.later)


def steps_to_go(yard: Yardstick, parts: Array, pool: Pool, largest_mm: float,
                most: int = 40) -> int | None:
    """Steps, one after the other the best by superposition, until every u is at most 1; None
    where so many do not reach it, or none helps."""
    for count in range(most + 1):
        largest = float(yard.use(parts).max())
        if largest <= 1.0:
            return count
        power = power_at(largest)
        best = best_steps(yard, parts, pool, largest_mm, power, PICKED // 2)
        if not best or best[0][2] >= 0.998 * float(yard.merit(parts, power)):
            return None
        parts = parts + best[0][1] * pool.influence[best[0][0]]
    return None
