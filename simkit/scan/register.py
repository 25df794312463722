"""Registration of a second scan, the undamaged reference, with the first one.

Point to plane (Chen and Medioni 1992: MEMORY): the points of the second scan are moved rigidly so
that they lie on a smooth surface through the first. Distances are weighted by Tukey's biweight, so
that the dent, where the scans differ, has no influence. The position of a flat panel in its own
plane is undetermined; a small damping then keeps it where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from simkit.errors import InputError
from simkit.scan.clean import CleanScan
from simkit.scan.smooth import SIGMA_PER_MAD, SmoothSheet, smooth_sheet, tukey

Array = NDArray[np.float64]
COARSE_POINTS, FINE_POINTS = 1500, 20_000
"""Numbers of points used for the trials and for the final registration."""
LEAST_OVERLAP = 0.5
"""Smallest share of points over the other scan for which a trial counts."""
WORST_FIT_MM = 0.5
"""Largest robust standard deviation of the distances that is accepted."""
START_ANGLES = 8


@dataclass(frozen=True)
class Registered:
    """A registered reference scan: its points (n, 3) in the frame of the other one.

    ``rms_mm``: robust standard deviation of the distances; ``overlap``: share of points over the
    other scan.
    """

    points: Array
    rms_mm: float
    overlap: float


def lay_onto(reference: CleanScan, scan: CleanScan, mirrored: bool, file: str) -> Registered:
    """Register a reference sheet with a scanned one, both given in their own frames.

    Tries `START_ANGLES` rotations about the normal, with either side up, and keeps the best.
    ``mirrored``: the reference is the panel of the other side of the vehicle and is mirrored first.

    Raises
    ------
    InputError : no rigid motion brings the two into agreement.
    """
    points = reference.points * (np.array([-1.0, 1.0, 1.0]) if mirrored else 1.0)
    surface = smooth_sheet(scan.points, scan.spacing_mm, 6.0)
    rng = np.random.default_rng(0)
    few, many = (points[rng.permutation(len(points))[:n]] for n in (COARSE_POINTS, FINE_POINTS))
    best, motion = np.inf, (np.eye(3), np.zeros(3))
    for side in (1.0, -1.0):
        for k in range(START_ANGLES):
            angle = 2.0 * np.pi * k / START_ANGLES
            c, s = np.cos(angle), np.sin(angle)
            start = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ np.diag(
                [1.0, side, side])
            turn, shift = _settle(few, surface, start, np.zeros(3), 12)
            size, overlap = _agreement(few, surface, turn, shift)
            if overlap >= LEAST_OVERLAP and size < best:
                best, motion = size, (turn, shift)
    turn, shift = _settle(many, surface, *motion, 25)
    size, overlap = _agreement(many, surface, turn, shift)
    if not np.isfinite(best) or size > WORST_FIT_MM:
        found = f"{size:.2g} mm apart" if np.isfinite(best) else "they do not overlap"
        raise InputError(f"the reference scan does not fit the dented one: {found}",
                         "a scan of the same panel undamaged, or of its mirror image with "
                         "'mirrored'", file=file)
    return Registered(points @ turn.T + shift, size, overlap)


def _settle(points: Array, surface: SmoothSheet, turn: Array, shift: Array, rounds: int
            ) -> tuple[Array, Array]:
    """Rigid motion by Gauss-Newton on the weighted distances to the surface."""
    for _ in range(rounds):
        moved = points @ turn.T + shift
        on = surface.covers(moved[:, :2])
        if on.sum() < 50:
            return turn, shift
        moved = moved[on]
        z, by_x, by_y = surface.gradient(moved[:, 0], moved[:, 1])
        normal = np.column_stack([-by_x, -by_y, np.ones_like(z)])
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        rest = (moved[:, 2] - z) * normal[:, 2]
        weight = tukey(rest, 5.0 * max(SIGMA_PER_MAD * float(np.median(np.abs(rest))), 1e-3))
        rows = np.column_stack([np.cross(moved, normal), normal])
        matrix = rows.T @ (weight[:, None] * rows)
        # rotations are damped by the displacement that they cause at the points' mean distance
        reach = np.concatenate([np.full(3, float(np.mean(moved**2))), np.ones(3)])
        matrix += 1e-6 * weight.sum() * np.diag(reach)
        step = -np.asarray(np.linalg.solve(matrix, rows.T @ (weight * rest)), dtype=float)
        small = Rotation.from_rotvec(step[:3]).as_matrix()
        turn, shift = small @ turn, small @ shift + step[3:]
    return turn, shift


def _agreement(points: Array, surface: SmoothSheet, turn: Array, shift: Array
               ) -> tuple[float, float]:
    """Robust standard deviation of the distances [mm], and the share of points over the surface."""
    moved = points @ turn.T + shift
    on = surface.covers(moved[:, :2])
    if on.sum() < 50:
        return np.inf, float(on.mean())
    rest = moved[on, 2] - surface.gradient(moved[on, 0], moved[on, 1])[0]
    return SIGMA_PER_MAD * float(np.median(np.abs(rest))), float(on.mean())

