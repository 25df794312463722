"""The joint plan: the fewest operations whose fields together bring a panel within its limits.

With the height over its tolerance h and the slope over its limit s at every place, what is left is
F = sum of max(|h| - aim, 0)^2 + max(s - aim, 0)^2. Operations are added one at a time, first the
one that promises the largest fall of F (Gauss-Newton); all changes are fitted anew after each
(matching pursuit with refitting); in the end those are dropped that the others can stand in for.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.strategy.planner.influence import Way

Array = NDArray[np.float64]
CLEAR = 0.6
"""Share of what a plan aims at that its changes are fitted to, once it is known which they are."""
AIMED_SHARE = 0.85
"""Share of the limits that a plan aims at: fields add up to a few per cent only."""
MOST_OPERATIONS = 16
"""Most operations of a plan."""
OPERATIONS_FITTED = 5
"""So many of the most promising operations are fitted before one is added."""
COMPLETE_REMAINDER = 1e-3
"""What is left, over the number of limits it stands for, at which a plan is complete."""
APART_MM = 8.0
"""Candidates of one way that lie nearer to each other are taken for one."""
NEWTON = 12
"""Most rounds of a fit."""


@dataclass(frozen=True)
class Pool:
    """Candidates: ways and places, with their influence (m, 3, n) per mm outwards."""

    ways: tuple[Way, ...]
    x_mm: Array
    y_mm: Array
    influence: NDArray[np.float32]
    _kept: dict[str, NDArray[np.float32]] = field(default_factory=dict, repr=False, compare=False)

    def squared(self) -> NDArray[np.float32]:
        """(m, 3 n) squares of the influence, made once."""
        if "squared" not in self._kept:
            self._kept["squared"] = self.influence.reshape(len(self.ways), -1) ** 2
        return self._kept["squared"]

    def signs(self) -> Array:
        """(m,) direction in which each moves the sheet."""
        return np.array([way.sign for way in self.ways])


@dataclass(frozen=True)
class Plan:
    """Candidates, the change of each at its place (mm, outwards positive), and what is left."""

    candidates: tuple[int, ...]
    changes_mm: tuple[float, ...]
    left: float

    @property
    def complete(self) -> bool:
        """Whether it brings the panel within its limits."""
        return self.left <= COMPLETE_REMAINDER


def left_of(parts: Array, aim: float) -> float:
    """F of fields (3, n)."""
    return _left(parts, aim)[0]


def _left(parts: Array, aim: float) -> tuple[float, Array]:
    """F and its derivative (3, n)."""
    height = np.abs(parts[0])
    slope = np.hypot(parts[1], parts[2])
    over_height, over_slope = np.maximum(height - aim, 0.0), np.maximum(slope - aim, 0.0)
    turn = 2.0 * over_slope / np.maximum(slope, 1e-12)
    rise = np.stack([2.0 * over_height * np.sign(parts[0]), turn * parts[1], turn * parts[2]])
    return float((over_height**2).sum() + (over_slope**2).sum()), rise


def fit(parts: Array, unit: Array, start: Array, largest_mm: float, aim: float
        ) -> tuple[Array, float]:
    """Changes between 0 and ``largest_mm`` of operations with influence ``unit`` (k, 3, n), signed
    as they act, that leave least; F there.

    Newton's method on the changes that are not at a bound; F is convex and has a second
    derivative almost everywhere.
    """
    changes = np.clip(start, 0.0, largest_mm)
    now = parts + np.tensordot(changes, unit, 1)
    left = left_of(now, aim)
    for _ in range(NEWTON):
        slope, bend = _derivatives(now, unit, aim)
        held = ((changes <= 0.0) & (slope >= 0.0)) | ((changes >= largest_mm) & (slope <= 0.0))
        free = np.flatnonzero(~held)
        if left <= 0.0 or free.size == 0:
            break
        bend = bend[np.ix_(free, free)]
        bend[np.diag_indices(free.size)] += 1e-9 + 1e-6 * np.trace(bend)
        way = np.linalg.solve(bend, -slope[free])
        for share in (1.0, 0.5, 0.2, 0.05):
            trial = changes.copy()
            trial[free] = np.clip(changes[free] + share * way, 0.0, largest_mm)
            then = parts + np.tensordot(trial, unit, 1)
            leaves = left_of(then, aim)
            if leaves < left:
                break
        else:
            break
        gained = left - leaves
        changes, now, left = trial, then, leaves
        if gained < 1e-3 * left:
            break
    return changes, left


def _derivatives(now: Array, unit: Array, aim: float) -> tuple[Array, Array]:
    """First (k,) and second (k, k) derivative of F by the changes."""
    slope, bend = np.zeros(len(unit)), np.zeros((len(unit), len(unit)))
    out = np.flatnonzero(np.abs(now[0]) > aim)
    high, by = now[0, out], unit[:, 0, out]
    slope += 2.0 * by @ (np.sign(high) * (np.abs(high) - aim))
    bend += 2.0 * by @ by.T
    steep = np.hypot(now[1], now[2])
    out = np.flatnonzero(steep > aim)
    size = steep[out]
    along_x, along_y = now[1, out] / size, now[2, out] / size
    along = unit[:, 1, out] * along_x + unit[:, 2, out] * along_y
    across = unit[:, 2, out] * along_x - unit[:, 1, out] * along_y
    slope += 2.0 * along @ (size - aim)
    bend += 2.0 * along @ along.T + 2.0 * (across * ((size - aim) / size)) @ across.T
    return slope, bend


def joint_plan(parts: Array, pool: Pool, largest_mm: float, aim: float = AIMED_SHARE,
               most: int = MOST_OPERATIONS,
               cost: Array | None = None) -> Plan:
    """Plan from fields (3, n) as they stand; cost (m,) of each candidate, one for each if None."""
    chosen: list[int] = []
    changes = np.zeros(0)
    now, left = parts, left_of(parts, aim)
    while left > COMPLETE_REMAINDER and len(chosen) < most:
        step, gain = _promised(now, pool, largest_mm, aim)
        gain[chosen] = 0.0
        if cost is not None:
            gain = gain / cost
        best = None
        for k in np.argsort(-gain)[:OPERATIONS_FITTED]:
            if gain[k] <= 0.0:
                break
            fitted = fit(parts, _unit(pool, [*chosen, int(k)]), np.append(changes, step[k]),
                         largest_mm, aim)
            price = 1.0 if cost is None else float(cost[k])
            worth = (left - fitted[1]) / price
            if best is None or worth > best[3]:
                best = (int(k), *fitted, worth)
        if best is None or best[2] > 0.99 * left:
            break
        chosen, changes, left = [*chosen, best[0]], best[1], best[2]
        now = parts + np.tensordot(changes, _unit(pool, chosen), 1)
    plan = _thinned(parts, pool, chosen, changes, left, largest_mm, aim)
    return _with_margin(parts, pool, plan, largest_mm, aim)


def _promised(now: Array, pool: Pool, largest_mm: float, aim: float) -> tuple[Array, Array]:
    """(m,) change of each candidate alone that a quadratic model likes best, and the fall of F."""
    signs = pool.signs()
    flat = pool.influence.reshape(len(signs), -1)
    rise = _left(now, aim)[1]
    slope = -signs * (flat @ rise.astype(np.float32).ravel())
    bend = 2.0 * (pool.squared() @ (rise != 0.0).astype(np.float32).ravel())
    step = np.clip(slope / np.maximum(bend, 1e-9), 0.0, largest_mm)
    return step, np.where(slope > 0.0, step * slope - 0.5 * step**2 * bend, 0.0)


def best_alone(parts: Array, pool: Pool, largest_mm: float, aim: float, count: int
               ) -> list[tuple[int, float]]:
    """The candidates that leave least by one step alone, with their changes (mm, outwards
    positive); of one way, no two within :data:`APART_MM`."""
    step, gain = _promised(parts, pool, largest_mm, aim)
    fitted = []
    for k in np.argsort(-gain)[:20 * count]:
        if gain[k] <= 0.0:
            break
        changes, left = fit(parts, _unit(pool, [int(k)]), step[[k]], largest_mm, aim)
        fitted.append((left, int(k), float(changes[0]) * pool.ways[k].sign))
    chosen: list[tuple[int, float]] = []
    for _, k, change in sorted(fitted):
        if len(chosen) < count and all(
                pool.ways[k] != pool.ways[j] or np.hypot(
                    pool.x_mm[k] - pool.x_mm[j], pool.y_mm[k] - pool.y_mm[j]) > APART_MM
                for j, _ in chosen):
            chosen.append((k, change))
    return chosen


def _with_margin(parts: Array, pool: Pool, plan: Plan, largest_mm: float, aim: float) -> Plan:
    """The same operations with changes that stay clear of the limits as far as that costs nothing:
    what just touches a limit is beyond it with the next error of the sum."""
    if not plan.candidates:
        return plan
    chosen = list(plan.candidates)
    unit, signs = _unit(pool, chosen), pool.signs()[chosen]
    tight = np.array(plan.changes_mm) * signs
    clear, _ = fit(parts, unit, tight, largest_mm, CLEAR * aim)
    for share in (1.0, 0.5, 0.25):
        changes = tight + share * (clear - tight)
        left = left_of(parts + np.tensordot(changes, unit, 1), aim)
        if left <= max(1.05 * plan.left, COMPLETE_REMAINDER):
            return Plan(plan.candidates, tuple(float(one) for one in changes * signs), left)
    return plan


def _unit(pool: Pool, chosen: list[int]) -> Array:
    return pool.influence[chosen].astype(float) * pool.signs()[chosen][:, None, None]


def _thinned(parts: Array, pool: Pool, chosen: list[int], changes: Array, left: float,
             largest_mm: float, aim: float) -> Plan:
    """The plan without the operations that the others can stand in for."""
    allowed = max(1.02 * left, COMPLETE_REMAINDER)
    k = len(chosen) - 1
    while k >= 0 and len(chosen) > 1:
        rest = chosen[:k] + chosen[k + 1:]
        fitted, without = fit(parts, _unit(pool, rest), np.delete(changes, k), largest_mm, aim)
        if without <= allowed:
            chosen, changes, left = rest, fitted, without
        k -= 1
    signed = changes * pool.signs()[chosen] if chosen else changes
    return Plan(tuple(chosen), tuple(float(change) for change in signed), left)


def by_weight(parts: Array, pool: Pool, plan: Plan, aim: float) -> list[int]:
    """Numbers of the plan's operations, the one first without which most would be left."""
    unit = pool.influence[list(plan.candidates)].astype(float)
    changes = np.array(plan.changes_mm)
    whole = parts + np.tensordot(changes, unit, 1)
    without = [left_of(whole - changes[k] * unit[k], aim) for k in range(len(changes))]
    return [int(k) for k in np.argsort(-np.array(without))]
