"""The joint plan: few operations whose added influence fields bring a panel within its limits.

With the height over its tolerance h and the slope over its limit s at every place, the objective is
F = sum of max(|h| - aim, 0)^2 + max(s - aim, 0)^2. Operations are added one by one, first the one
with the largest predicted fall of F (Gauss-Newton); after each all changes are fitted again
(orthogonal matching pursuit). At the end operations are removed that the others can replace.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.strategy.planner.pool import Pool, Price

Array = NDArray[np.float64]
CLEAR = 0.6
"""Share of the plan's aim to which its changes are fitted after its operations are chosen."""
AIMED_SHARE = 0.85
"""Share of the limits that a plan aims at, because sums of fields have an error of some per cent.
"""
MOST_OPERATIONS = 16
"""Largest number of operations of a plan."""
OPERATIONS_FITTED = 5
"""Number of the most promising operations that are fitted before one is added."""
STEP_SHARE = 1.0 / 3.0
"""Share of F that a usual step leaves."""
COMPLETE_REMAINDER = 1e-3
"""Value of F at which a plan is complete."""
APART_MM = 8.0
"""Candidates of one way with a smaller distance count as one."""
NEWTON = 12
"""Largest number of iterations of a fit."""


@dataclass(frozen=True)
class Plan:
    """Numbers of candidates, the change of each at its place (mm, outwards positive), and F."""

    candidates: tuple[int, ...]
    changes_mm: tuple[float, ...]
    left: float

    @property
    def complete(self) -> bool:
        """Whether it brings the panel within its limits."""
        return self.left <= COMPLETE_REMAINDER


def judged(pool: Pool, plan: Plan, price: Price) -> tuple[int | None, float, float]:
    """Steps of a plan, None if it is not complete; its cost with that of the usual steps for what
    it leaves; F after it."""
    steps, total = pool.cost_of(plan.candidates, price)
    return (steps if plan.complete else None, total + price.usual * steps_for(plan.left),
            plan.left)


def steps_for(left: float) -> float:
    """Number of usual steps that bring F to the limits."""
    over = max(left / COMPLETE_REMAINDER, 1.0)
    return float(-np.log(over) / np.log(STEP_SHARE))


def left_of(parts: Array, aim: float) -> float:
    """F of fields (3, n)."""
    over_height = np.maximum(np.abs(parts[0]) - aim, 0.0)
    over_slope = np.maximum(np.hypot(parts[1], parts[2]) - aim, 0.0)
    return float((over_height**2).sum() + (over_slope**2).sum())


def _left(parts: Array, aim: float) -> tuple[float, Array]:
    """F and its derivative (3, n)."""
    height = np.abs(parts[0])
    slope = np.hypot(parts[1], parts[2])
    over_height, over_slope = np.maximum(height - aim, 0.0), np.maximum(slope - aim, 0.0)
    # d(slope)/d(component) = component / slope
    turn = 2.0 * over_slope / np.maximum(slope, 1e-12)
    rise = np.stack([2.0 * over_height * np.sign(parts[0]), turn * parts[1], turn * parts[2]])
    return float((over_height**2).sum() + (over_slope**2).sum()), rise


def fit(parts: Array, unit: Array, start: Array, largest_mm: float, aim: float
        ) -> tuple[Array, float]:
    """Changes between 0 and ``largest_mm`` that minimise F, and F there.

    unit (k, 3, n): influence of the operations with the sign of their action. Newton's method for
    the changes that are not at a bound; F is convex and has a second derivative almost everywhere.
    """
    changes = np.clip(start, 0.0, largest_mm)
    now = parts + np.tensordot(changes, unit, 1)
    left = left_of(now, aim)
    for _ in range(NEWTON):
        slope, bend = _derivatives(now, unit, aim)
        # active set: changes at a bound whose derivative points beyond it stay there
        held = ((changes <= 0.0) & (slope >= 0.0)) | ((changes >= largest_mm) & (slope <= 0.0))
        free = np.flatnonzero(~held)
        if left <= 0.0 or free.size == 0:
            break
        bend = bend[np.ix_(free, free)]
        # F is flat where no limit is exceeded: the small diagonal keeps the matrix regular
        bend[np.diag_indices(free.size)] += 1e-9 + 1e-6 * np.trace(bend)
        way = np.linalg.solve(bend, -slope[free])
        # Line search: the second derivative jumps where a value passes the aim.
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
    # with s = |g|: ds = g.dg / s (along), and the second derivative is |dg across g|^2 / s
    along = unit[:, 1, out] * along_x + unit[:, 2, out] * along_y
    across = unit[:, 2, out] * along_x - unit[:, 1, out] * along_y
    slope += 2.0 * along @ (size - aim)
    bend += 2.0 * along @ along.T + 2.0 * (across * ((size - aim) / size)) @ across.T
    return slope, bend


def joint_plan(parts: Array, pool: Pool, largest_mm: float, aim: float = AIMED_SHARE,
               most: int = MOST_OPERATIONS, price: Price | None = None) -> Plan:
    """Plan for fields (3, n); price of the candidates, one step each if None.

    If pushes from behind cost something once, the plan with them and the one without are compared.
    """
    price = Price.of_steps(len(pool.ways)) if price is None else price
    plan = _pursued(parts, pool, largest_mm, aim, most, price)
    if price.entry <= 0.0 or not pool.pushes(plan.candidates):
        return plan
    pushes = np.array([way.kind == "push" for way in pool.ways])
    without = _pursued(parts, pool, largest_mm, aim, most, replace(
        price, each=np.where(pushes, np.inf, price.each)))
    return min(plan, without, key=lambda one: judged(pool, one, price)[1])


def _pursued(parts: Array, pool: Pool, largest_mm: float, aim: float, most: int, price: Price
             ) -> Plan:
    """Plan by orthogonal matching pursuit; candidates of infinite price are left out."""
    chosen: list[int] = []
    changes = np.zeros(0)
    now, left = parts, left_of(parts, aim)
    each = price.each.copy()
    while left > COMPLETE_REMAINDER and len(chosen) < most:
        step, gain = _promised(now, pool, largest_mm, aim)
        # Matching pursuit: each candidate once; its change is fitted again with the others.
        gain[chosen] = 0.0
        gain = gain / each
        best = None
        for k in np.argsort(-gain)[:OPERATIONS_FITTED]:
            if gain[k] <= 0.0:
                break
            fitted = fit(parts, _unit(pool, [*chosen, int(k)]), np.append(changes, step[k]),
                         largest_mm, aim)
            worth = (left - fitted[1]) / each[k]
            if best is None or worth > best[3]:
                best = (int(k), *fitted, worth)
        # No further operation reduces F by 1 %.
        if best is None or best[2] > 0.99 * left:
            break
        alike = pool.alike(best[0])
        if not set(alike) & set(chosen):
            each[alike] *= price.further
        chosen, changes, left = [*chosen, best[0]], best[1], best[2]
        now = parts + np.tensordot(changes, _unit(pool, chosen), 1)
    plan = _thinned(parts, pool, chosen, changes, left, largest_mm, aim)
    return _with_margin(parts, pool, plan, largest_mm, aim)


def _promised(now: Array, pool: Pool, largest_mm: float, aim: float) -> tuple[Array, Array]:
    """(m,) best change of each candidate alone by a quadratic model of F, and the fall of F."""
    signs = pool.signs()
    flat = pool.influence.reshape(len(signs), -1)
    rise = _left(now, aim)[1]
    slope = -signs * (flat @ rise.astype(np.float32).ravel())
    # Gauss-Newton: F'' = 2 sum u^2 over the values beyond the aim, without the curvature of s.
    bend = 2.0 * (pool.squared() @ (rise != 0.0).astype(np.float32).ravel())
    # minimum of the quadratic model -slope * a + bend * a^2 / 2 within the bounds
    step = np.clip(slope / np.maximum(bend, 1e-9), 0.0, largest_mm)
    return step, np.where(slope > 0.0, step * slope - 0.5 * step**2 * bend, 0.0)


def best_alone(parts: Array, pool: Pool, largest_mm: float, aim: float, count: int
               ) -> list[tuple[int, float]]:
    """The candidates with the smallest F after one step alone, with their changes (mm, outwards
    positive); no two of one way within :data:`APART_MM`."""
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
    """The same operations with changes that keep a margin to the limits as far as F allows.

    Without a margin a small error of the sum would exceed a limit.
    """
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
    """The plan without the operations that the others can replace."""
    allowed = max(1.02 * left, COMPLETE_REMAINDER)
    # From the last one added, which had the smallest gain.
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
    """Numbers of the plan's operations by weight: first the one without which F is largest."""
    unit = pool.influence[list(plan.candidates)].astype(float)
    changes = np.array(plan.changes_mm)
    whole = parts + np.tensordot(changes, unit, 1)
    without = [left_of(whole - changes[k] * unit[k], aim) for k in range(len(changes))]
    return [int(k) for k in np.argsort(-np.array(without))]
