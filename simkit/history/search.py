"""Search for histories whose shape after release is the measured one.

Every blow stops when the depth at its place after release has a given value, so the depth needs no
separate search. The unknowns are the body's sizes, place and direction. The derivatives of the
shape by place and direction follow from the shape itself, since it moves and turns with the body;
the derivative by depth is nearly the shape over its depth. Only sizes and tilts need trials of
their own. The steps are damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963) on the
difference to the depth field.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from simkit.history.strike import FLAT, SIZE_FIELDS, Blow
from simkit.history.trials import LAST_CORRECTION_MISFIT_SHARE, Trial, Trials, corrected

Array = NDArray[np.float64]
RADII_TRIED = 4
"""Number of ball radii tried first, on a logarithmic scale: the misfit depends little on them."""
MOST_CORRECTIONS = 4
"""Corrections of one kind of history."""
SIZE_STEP = 1.25
"""Factor by which a size is changed for the derivative by it."""
TILT_STEP_DEG, FLAT_TILT_STEP_DEG = 8.0, 3.0
"""Change of a tilt for the derivative by it; of a flat face, which soon touches with its rim."""
LONG_LOW_ASPECT = 1.2
"""Length over width of the low above which long bodies are tried."""


@dataclass(frozen=True)
class Bounds:
    """Limits of the search: kinds of body, radii (mm)."""

    kinds: tuple[str, ...]
    radius_min_mm: float
    radius_max_mm: float


@dataclass(frozen=True)
class Low:
    """The low of the depth field: place, depth; direction (degrees), length and width (mm) of an
    ellipse with the same second moments."""

    x_mm: float
    y_mm: float
    depth_mm: float
    angle_deg: float
    length_mm: float
    width_mm: float


def find_low(trials: Trials, sign: float, gap: Array | None = None) -> Low:
    """Place and extent of the low (sign -1; +1: of the high) of a field inside the window."""
    field = trials.wanted if gap is None else gap
    deep = np.clip(sign * field, 0.0, None)
    k = int(np.argmax(deep))
    w = np.where(deep > 0.3 * deep[k], deep, 0.0)
    near = np.hypot(trials.x - trials.x[k], trials.y - trials.y[k])
    w = np.where(near <= 3.0 * max(np.sqrt((w * near**2).sum() / w.sum()), 1.0), w, 0.0)
    w = np.where(_one_piece(trials, w > 0.0, k), w, 0.0)  # with hail, the deepest dent only
    cx, cy = (w * trials.x).sum() / w.sum(), (w * trials.y).sum() / w.sum()
    xx, xy = (w * (trials.x - cx) ** 2).sum(), (w * (trials.x - cx) * (trials.y - cy)).sum()
    yy = (w * (trials.y - cy) ** 2).sum()
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]) / w.sum())
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    depth = _depth_at(trials, field, cx, cy)
    if not sign * depth > 0.3 * deep[k]:  # a curved low whose centroid is outside it
        cx, cy, depth = trials.x[k], trials.y[k], float(field[k])
    return Low(float(cx), float(cy), depth, angle,
               4.0 * float(np.sqrt(values[1])), 4.0 * float(np.sqrt(max(values[0], 1e-6))))


def _one_piece(trials: Trials, here: NDArray[np.bool_], k: int) -> NDArray[np.bool_]:
    """The part of the places ``here`` that is connected with place ``k``."""
    full = np.zeros(trials.inside.shape, dtype=bool)
    full[trials.inside] = here
    parts = label(full)[0][trials.inside]
    return np.asarray(parts == parts[k])


def further_blows(trials: Trials, first: Trial, places: list[tuple[float, float]]) -> Trial:
    """The first blow and a similar one at every other dent; depths are corrected up to twice."""
    one = first.blows[0]
    radius = one.radius_mm if one.kind == "ball" else 15.0
    blows = [one, *(Blow("ball", radius, x, y, _depth_at(trials, trials.wanted, x, y))
                    for x, y in places)]
    best = trials.attempt(*blows)
    for _ in range(2):
        if not best.valid:
            break
        gap = trials.wanted - best.d_mm
        blows = [replace(b, depth_mm=b.depth_mm + _depth_at(trials, gap, b.x_mm, b.y_mm))
                 for b in best.blows]
        if any(b.depth_mm * one.depth_mm <= 0.0 for b in blows):
            break
        after = trials.attempt(*blows)
        if not after.rms_mm < LAST_CORRECTION_MISFIT_SHARE * best.rms_mm:
            break
        best = after
    return best


def _depth_at(trials: Trials, field: Array, x: float, y: float) -> float:
    """Value of a field at the sampled place nearest to x, y."""
    return float(field[int(np.argmin((trials.x - x) ** 2 + (trials.y - y) ** 2))])


def starts(low: Low, bounds: Bounds) -> list[Blow]:
    """First blows of each kind of body."""
    found: list[Blow] = []
    base = Blow("ball", 20.0, low.x_mm, low.y_mm, low.depth_mm, low.angle_deg)
    # a kind that the user has given is tried whatever the shape of the low
    slender = low.length_mm > LONG_LOW_ASPECT * low.width_mm or len(bounds.kinds) == 1
    if "ball" in bounds.kinds:
        radii = np.geomspace(bounds.radius_min_mm, bounds.radius_max_mm, RADII_TRIED)
        # a ball leaves a long low in a panel with two different radii of curvature
        radii = radii[1:] if slender and len(bounds.kinds) > 1 else radii
        found += [replace(base, radius_mm=float(r)) for r in radii]
    reach = max(0.75 * (low.length_mm - low.width_mm), 10.0)
    if "cylinder" in bounds.kinds and slender:
        radii = np.unique(np.clip((12.0, 35.0), bounds.radius_min_mm, bounds.radius_max_mm))
        found += [replace(base, kind="cylinder", radius_mm=float(r), length_mm=reach + 2.0 * r)
                  for r in radii]
    if "edge" in bounds.kinds and slender:
        found.append(replace(base, kind="edge", radius_mm=4.0, length_mm=reach + 8.0))
    if "disc" in bounds.kinds:
        found.append(replace(base, kind="disc", radius_mm=4.0,
                             width_mm=max(0.4 * low.width_mm, 12.0)))
    if "block" in bounds.kinds:
        size = max(0.35 * low.width_mm, 12.0)
        found.append(replace(base, kind="block", radius_mm=4.0, width_mm=size,
                             length_mm=size + max(0.6 * (low.length_mm - low.width_mm), 0.0)))
    return found


def improve(trials: Trials, first: Trial, bounds: Bounds, sizes: tuple[str, ...],
            rounds: int = MOST_CORRECTIONS) -> Trial:
    """Correct a history of one blow as long as the misfit falls; return the best one."""
    columns: dict[str, Array | None] = {}

    def move(best: Trial) -> tuple[Blow, ...]:
        for name in sizes:
            if name not in columns:
                columns[name] = _change(trials, best, name)
        return (_step(trials, best, columns, bounds),)

    return corrected(trials, first, rounds, move, _halfway if sizes else None)


def _halfway(a: Blow, b: Blow) -> Blow:
    """The mean of two blows; geometric mean for sizes."""
    new: dict[str, Any] = {name: float(np.sqrt(getattr(a, name) * getattr(b, name)))
                           for name in SIZE_FIELDS}
    new |= {name: 0.5 * (getattr(a, name) + getattr(b, name)) for name in (
        "x_mm", "y_mm", "depth_mm", "angle_deg", "tilt_along_deg", "tilt_across_deg")}
    return replace(a, **new)


def _change(trials: Trials, trial: Trial, name: str) -> Array | None:
    """Derivative of the shape by one size (its logarithm) or tilt (degree), by one trial."""
    blow = trial.blows[0]
    if name.startswith("tilt"):
        step = FLAT_TILT_STEP_DEG if blow.kind in FLAT else TILT_STEP_DEG
        other = getattr(blow, name) + step
    else:
        other, step = getattr(blow, name) * SIZE_STEP, float(np.log(SIZE_STEP))
    sizes: dict[str, Any] = {name: other}
    moved = trials.attempt(replace(blow, **sizes))
    return (moved.d_mm - trial.d_mm) / step if moved.valid else None


def _step(trials: Trials, trial: Trial, columns: dict[str, Array | None],
          bounds: Bounds) -> Blow:
    """The blow after a damped least-squares step of place, depth, direction and sizes."""
    blow = trial.blows[0]
    sx, sy = trials.slopes(trial)
    rows: dict[str, tuple[Array, float]] = {
        "x_mm": (-sx, 5.0), "y_mm": (-sy, 5.0),
        "depth_mm": (trial.d_mm / blow.depth_mm, 0.2 * abs(blow.depth_mm))}
    if blow.kind not in ("ball", "disc"):
        turn = (trials.x - blow.x_mm) * sy - (trials.y - blow.y_mm) * sx
        rows["angle_deg"] = (-turn * np.pi / 180.0, 15.0)
    for name, column in columns.items():
        if column is not None:
            rows[name] = (column, 5.0 if name.startswith("tilt") else 0.5)
    matrix = np.stack([row * scale for row, scale in rows.values()], axis=1)
    gap = trials.wanted - trial.d_mm
    normal = matrix.T @ matrix
    # Levenberg's damping: a step of one scale counts as much as 5 % of the squared misfit
    damping = 0.05 * gap @ gap
    move = np.linalg.solve(normal + damping * np.eye(normal.shape[0]), matrix.T @ gap)
    move = np.clip(move, -1.5, 1.5)
    new: dict[str, Any] = {}
    for (name, (_, scale)), amount in zip(rows.items(), move, strict=True):
        value = getattr(blow, name)
        new[name] = float(value * np.exp(scale * amount) if name in SIZE_FIELDS
                          else value + scale * amount)
    if "radius_mm" in new:
        low = 1.0 if blow.kind in ("edge", *FLAT) else bounds.radius_min_mm
        new["radius_mm"] = float(np.clip(new["radius_mm"], low, bounds.radius_max_mm))
    return replace(blow, **new)


def nudged(trials: Trials, trial: Trial) -> Blow:
    """The blow with place, direction and depth corrected by one step, sizes unchanged."""
    return _step(trials, trial, {}, Bounds((), 0.0, np.inf))


SIZES = {"ball": (), "cylinder": ("length_mm",), "edge": ("length_mm", "radius_mm"),
         "disc": ("width_mm",), "block": ("width_mm", "length_mm")}
"""Sizes corrected for each kind. For balls and cylinders several radii are tried instead, because
the misfit hardly depends on the radius."""


def search(trials: Trials, bounds: Bounds, sign: float) -> list[Trial]:
    """Try every kind of body; return all valid trials, best first."""
    low = find_low(trials, sign)
    kinds: dict[str, list[Trial]] = {}
    for blow in starts(low, bounds):
        balls, is_ball = kinds.get("ball"), blow.kind == "ball"
        if is_ball and balls and balls[-1].valid:  # start at the corrected place of the last ball
            last = balls[-1].blows[0]
            blow = replace(blow, x_mm=last.x_mm, y_mm=last.y_mm, depth_mm=last.depth_mm)
        first = trials.attempt(blow)
        rounds = MOST_CORRECTIONS if not is_ball else (1 if balls else 2)
        kinds.setdefault(blow.kind, []).append(
            improve(trials, first, bounds, SIZES[blow.kind], rounds))
    best = min((t for found in kinds.values() for t in found), key=lambda t: t.rms_mm,
               default=None)
    if best is not None and best.valid:
        best = _radius_between(trials, kinds.get("ball", []), bounds) or best
        kind = best.blows[0].kind
        if kind != "ball":
            tilts = ("tilt_across_deg", *(("tilt_along_deg",) if kind in FLAT else ()))
            improve(trials, best, bounds, (*SIZES[kind], *tilts), 2)
    return sorted((t for t in trials.done if t.valid), key=lambda t: t.rms_mm)


def _radius_between(trials: Trials, balls: list[Trial], bounds: Bounds) -> Trial | None:
    """A ball whose radius is at the minimum of a parabola through the best radius and its
    neighbours; None if there is no minimum."""
    valid = sorted((t for t in balls if t.valid), key=lambda t: t.blows[0].radius_mm)
    if len(valid) < 3:
        return None
    logs = np.log([t.blows[0].radius_mm for t in valid])
    misfits = np.array([t.rms_mm for t in valid])
    k = int(np.clip(np.argmin(misfits), 1, len(valid) - 2))
    a, b, _ = np.polyfit(logs[k - 1:k + 2] - logs[k], misfits[k - 1:k + 2], 2)
    if a <= 0.0:
        return None
    log = float(np.clip(logs[k] - 0.5 * b / a, logs[0], logs[-1]))
    nearest = min(valid, key=lambda t: abs(np.log(t.blows[0].radius_mm) - log))
    found = trials.attempt(replace(nearest.blows[0], radius_mm=float(np.exp(log))))
    return improve(trials, found, bounds, (), 1)


def second_blow(trials: Trials, first: Trial, sign: float) -> Trial:
    """A second blow at the largest difference left by the first; the depths of both corrected."""
    low = find_low(trials, sign, trials.wanted - first.d_mm)
    one = first.blows[0]
    two = Blow("ball", one.radius_mm if one.kind == "ball" else 15.0, low.x_mm, low.y_mm,
               _depth_at(trials, trials.wanted, low.x_mm, low.y_mm))
    best = trials.attempt(one, two)
    for _ in range(MOST_CORRECTIONS):
        if not best.valid:
            break
        gap = trials.wanted - best.d_mm
        a, b = best.blows
        deeper = a.depth_mm + _depth_at(trials, gap, a.x_mm, a.y_mm)
        a = replace(a, depth_mm=sign * max(0.05, sign * deeper))
        sx, sy = trials.slopes(best)
        near = np.exp(-((trials.x - b.x_mm) ** 2 + (trials.y - b.y_mm) ** 2) / 20.0**2)
        rows = np.stack([-sx * near, -sy * near], axis=1)
        move = np.linalg.lstsq(rows, gap * near, rcond=None)[0]
        b = replace(b, x_mm=b.x_mm + float(np.clip(move[0], -6, 6)),
                    y_mm=b.y_mm + float(np.clip(move[1], -6, 6)))
        b = replace(b, depth_mm=_depth_at(trials, trials.wanted, b.x_mm, b.y_mm))
        after = trials.attempt(a, b)
        if not after.rms_mm < LAST_CORRECTION_MISFIT_SHARE * best.rms_mm:
            best = min(best, after, key=lambda t: t.rms_mm)
            break
        best = after
    return best
