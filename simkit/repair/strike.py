"""Strike: fit one blow of a blunt body to the measured dent."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simkit.equilibrium.advance import advance
from simkit.equilibrium.attach import set_tip
from simkit.equilibrium.model import State
from simkit.equilibrium.orders import Advance, AdvanceSettings, Load
from simkit.repair.imprint import Progress
from simkit.repair.sampling import point_on, probe_at
from simkit.repair.workpiece import Workpiece
from simkit.tool.bodies import RigidBody, ball, rounded_cylinder

Array = NDArray[np.float64]
SETTINGS = AdvanceSettings(first_mm=0.2, largest_mm=0.25, goal_tolerance_mm=0.03)
"""Increments decide what is locked in: with 1 mm a tap on the crown later lifts the middle by two
thirds too much, with 0.25 mm by a sixth (docs/verification/sensitivity.md)."""
SEARCH = AdvanceSettings(first_mm=0.3, largest_mm=1.0, goal_tolerance_mm=0.03)
"""For the search, which looks at shapes only."""
RADII = 4
"""Radii tried first, evenly on a logarithmic scale: the misfit is flat in the radius."""
FAILED = 1e3
"""Misfit of a blow without a balance, mm."""
FORCE_N = 2.0e4
"""Far above what a dent in a thin panel takes; only keeps a fit from running away."""


@dataclass(frozen=True)
class Blow:
    """One strike.

    Attributes
    ----------
    kind : ball or cylinder; radius_mm of the striking face; x_mm, y_mm : where it hits;
    depth_mm : deviation it shall leave at that place, released (negative: low);
    angle_deg : direction of a cylinder's axis in the plan; length_mm : of a cylinder over all.
    """

    kind: str
    radius_mm: float
    x_mm: float
    y_mm: float
    depth_mm: float
    angle_deg: float = 0.0
    length_mm: float = 0.0

    def body(self) -> RigidBody:
        """The rigid body that strikes."""
        if self.kind == "cylinder":
            return rounded_cylinder(self.radius_mm, max(self.length_mm, 2.1 * self.radius_mm))
        return ball(self.radius_mm)


def strike(work: Workpiece, state: State, blow: Blow,
           settings: AdvanceSettings = SETTINGS) -> Advance:
    """Press the body in until the place, released, has the blow's depth; then release."""
    place, normal = point_on(work.model, state, blow.x_mm, blow.y_mm)
    inward = blow.depth_mm < 0.0
    angle = np.radians(blow.angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    travel = 6.0 * abs(blow.depth_mm) + 15.0
    tool = set_tip(work.model, state, blow.body(), place, -normal if inward else normal, travel,
                   along)
    probe = probe_at(work.model, blow.x_mm, blow.y_mm)
    return advance(work.model, state, Load(tool, travel, FORCE_N, probe=probe,
                                           goal_mm=blow.depth_mm), settings)


@dataclass(frozen=True)
class StrikeFit:
    """Best blow found, its result, the rms difference to the depth field, how many were tried."""

    blow: Blow
    advance: Advance
    rms_mm: float
    tried: int


def fit_strike(work: Workpiece, progress: Progress = lambda text: None) -> StrikeFit | None:
    """Radius and place of one blow whose released shape is nearest to the depth field.

    The travel needs no search: every blow stops where the released place is predicted to have
    the measured depth. Radius by trying some and the vertex of the parabola through the
    best, place by least squares on the slope of the shape. None if there is no depth field or
    every blow fails.
    """
    if work.depth is None:
        return None
    search = _Search(work, progress)
    bounds = work.case.history.striker
    logs = np.linspace(np.log(bounds.radius_min_mm), np.log(bounds.radius_max_mm), RADII)
    misfits = [search.by_radius(float(log)) for log in logs]
    if search.best is None:
        return None
    between = _vertex(logs, np.array(misfits))
    if between is not None:
        search.by_radius(between)
    search.try_blow(search.shifted())
    return replace(search.best, tried=search.tried)


def _vertex(logs: Array, misfits: Array) -> float | None:
    """Least of the parabola through the lowest misfit and its neighbours; None at an end."""
    k = int(np.argmin(misfits))
    if not 0 < k < logs.size - 1 or misfits[k - 1: k + 2].max() >= FAILED:
        return None
    a, b, _ = np.polyfit(logs[k - 1: k + 2] - logs[k], misfits[k - 1: k + 2], 2)
    return float(logs[k] - 0.5 * b / a) if a > 0.0 else None


class _Search:
    """Tries blows and keeps the best."""

    def __init__(self, work: Workpiece, progress: Progress) -> None:
        assert work.depth is not None
        self.work, self.progress = work, progress
        self.best: StrikeFit | None = None
        self.tried = 0
        s = work.sampling
        xx, yy = np.meshgrid(s.x_mm, s.y_mm)
        self.inside = ((xx >= work.window.x_from) & (xx <= work.window.x_to)
                       & (yy >= work.window.y_from) & (yy <= work.window.y_to) & s.valid)
        self.wanted = np.where(s.valid, work.depth(xx, yy), 0.0)
        sign = -1.0 if work.case.history.side == "outside" else 1.0
        at = np.argmax(np.where(self.inside, sign * self.wanted, -np.inf))
        self.start = Blow(work.case.history.striker.kind, 20.0, float(xx.flat[at]),
                          float(yy.flat[at]), float(self.wanted.flat[at]), *self._axis(xx, yy))

    def _axis(self, xx: Array, yy: Array) -> tuple[float, float]:
        """Direction (degrees) and length of the low from its second moments."""
        w = np.clip(np.where(self.inside, -self.wanted, 0.0), 0.0, None)
        if w.sum() <= 0.0:
            return 0.0, 0.0
        cx, cy = (w * xx).sum() / w.sum(), (w * yy).sum() / w.sum()
        cov = np.array([[(w * (xx - cx) ** 2).sum(), (w * (xx - cx) * (yy - cy)).sum()],
                        [0.0, (w * (yy - cy) ** 2).sum()]]) / w.sum()
        values, vectors = np.linalg.eigh(cov, UPLO="U")
        axis = vectors[:, 1]
        return float(np.degrees(np.arctan2(axis[1], axis[0]))), float(4.0 * np.sqrt(values[1]))

    def by_radius(self, log_radius: float) -> float:
        """Misfit of a blow with the start's place and another radius."""
        return self.try_blow(replace(self.start, radius_mm=float(np.exp(log_radius))))

    def try_blow(self, blow: Blow) -> float:
        """Carry out a blow on the virgin panel; rms difference inside the window, mm."""
        result = strike(self.work, self.work.model.virgin(), blow, SEARCH)
        self.tried += 1
        if not result.outcome.valid:
            self.progress(f"blow {self.tried}: radius {blow.radius_mm:.1f} mm: no balance")
            return FAILED
        gap = (self.work.sampling.field(result.state).d_mm - self.wanted)[self.inside]
        rms = float(np.sqrt(np.mean(gap**2)))
        self.progress(f"blow {self.tried}: radius {blow.radius_mm:.1f} mm at x "
                      f"{blow.x_mm:.1f}, y {blow.y_mm:.1f}: {rms:.3f} mm rms")
        if self.best is None or rms < self.best.rms_mm:
            self.best = StrikeFit(blow, result, rms, self.tried)
        return rms

    def shifted(self) -> Blow:
        """The best blow moved to where its shape lies best on the measured one."""
        assert self.best is not None
        s = self.work.sampling
        d = np.nan_to_num(self.work.sampling.field(self.best.advance.state).d_mm)
        slopes: list[Array] = list(np.gradient(d, s.y_mm, s.x_mm))
        gy, gx = slopes
        rows = np.stack([-gx[self.inside], -gy[self.inside]], axis=1)
        gap = (self.wanted - d)[self.inside]
        move = np.linalg.solve(rows.T @ rows, rows.T @ gap)
        blow = self.best.blow
        shift_x, shift_y = (float(v) for v in np.clip(move, -10.0, 10.0))
        return replace(blow, x_mm=blow.x_mm + shift_x, y_mm=blow.y_mm + shift_y)
