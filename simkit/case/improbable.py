"""Inputs that contradict each other or are implausible, reported before the computation.

Each check compares one key with another: a panel without sufficient support, a goal below the
noise of the measured depths, a slope base wider than the panel, a dent smaller than the noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from simkit.case.dent import Dent, largest_of
from simkit.case.panel import (
    DiscSupport,
    LineSupport,
    Panel,
    RectangleSupport,
    SpringEdge,
)
from simkit.case.plan import plan_bounds
from simkit.case.reading import Complaint
from simkit.case.repair import Goal, Limits

Array = NDArray[np.float64]
FIRM_N_PER_MM = 1e6
"""Stiffness that represents a fixed place."""
LEAST_STIFFNESS_SHARE = 1e-9
"""Share of FIRM_N_PER_MM below which a motion counts as unrestrained."""
SIDES = {"left": (0, 1), "right": (0, 1), "bottom": (1, 0), "top": (1, 0)}
"""Axis across each side, axis along it."""


def goal_checks(goal: Goal, dent: Dent | None, panel: Panel | None) -> Iterator[Complaint]:
    """Goals below the noise, or that cannot be measured on this panel."""
    height, slope = goal.limits
    noise = 0.0 if dent is None else dent.noise_mm
    if height < noise:
        yield Complaint(("goal", "tolerance_mm"), f"{height:g} mm is below the noise of the "
                        f"depths, {noise:g} mm (dent.noise_mm)", f"at least {noise:g} mm, or "
                        "depths measured more finely")
    # Slope from a height difference equal to the noise over the base, in mrad.
    least = 1000.0 * noise / goal.slope_base_mm
    if slope < least * (1.0 - 1e-9):
        yield Complaint(("goal", "slope_mrad"), f"{slope:g} mrad over {goal.slope_base_mm:g} mm "
                        f"is below what a noise of {noise:g} mm alone makes, {least:.2g} mrad",
                        "a larger slope, a longer slope_base_mm, or depths measured more finely")
    if panel is not None:
        x0, x1, y0, y1 = plan_bounds(panel)
        room = min(x1 - x0, y1 - y0)
        if goal.slope_base_mm >= room:
            yield Complaint(("goal", "slope_base_mm"), f"{goal.slope_base_mm:g} mm is wider than "
                            f"the panel ({room:g} mm)", "a base of some 20 mm")
    if dent is not None and dent.shapes and all(
            abs(largest_of(shape)) < noise for shape in dent.shapes):
        yield Complaint(("dent", "noise_mm"), f"{noise:g} mm found, more than any shape is deep",
                        "a noise well below the depth")


def holding_checks(panel: Panel, limits: Limits | None) -> Iterator[Complaint]:
    """A panel that can move or turn as a rigid body, or by more than the travel of a tool."""
    key = "edge" if panel.outline == "disc" else "edges"
    stiffness, words = least_stiffness(panel)
    if stiffness < LEAST_STIFFNESS_SHARE * FIRM_N_PER_MM:
        yield Complaint(("panel", key), f"nothing keeps the panel from {words}",
                        "hold or hinge one more edge, or give it springs")
        return
    if limits is None:
        return
    force = max(limits.pull_force_N, limits.push_force_N)
    # Rigid displacement under the largest force of a tool, in the softest direction.
    if force / stiffness > limits.travel_mm:
        yield Complaint(("panel", key), f"the panel is barely held: {force:g} N would carry it "
                        f"{force / stiffness:.3g} mm away as a whole ({words}), more than a tool "
                        f"may travel ({limits.travel_mm:g} mm)",
                        "stiffer springs, another edge held, or a smaller force")


def least_stiffness(panel: Panel) -> tuple[float, str]:
    """Least stiffness (N/mm) of the edges and bonded beds against a rigid motion of the panel,
    and that motion in words.

    The panel is taken as a flat rigid plate. The stiffness is the smallest eigenvalue of the 6 x 6
    stiffness matrix; rotations are scaled by the half diagonal to displacements of the rim.
    """
    x0, x1, y0, y1 = plan_bounds(panel)
    centre = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.0])
    size = 0.5 * math.hypot(x1 - x0, y1 - y0)
    total = np.zeros((6, 6))
    for place, share, hold, across, along in _rim(panel):
        # K = sum of J^T k J over the places, J the displacement by unit rigid motions.
        move, turn = _of_hold(hold, across)
        here = _motion((place - centre) / size)
        total += here.T @ np.diag(np.minimum(move * share, FIRM_N_PER_MM)) @ here
        spin = np.concatenate([np.zeros(3), along]) / size
        total += min(turn * share, FIRM_N_PER_MM * size**2) * np.outer(spin, spin)
    for bed in panel.supports:
        if bed.bonded:
            for place, area in _bed(bed):
                here = _motion((place - centre) / size)[2]
                total += bed.stiffness_N_per_mm3 * area * np.outer(here, here)
    values, vectors = np.linalg.eigh(total)
    return max(float(values[0]), 0.0), _words(vectors[:, 0])


def _motion(place: Array) -> Array:
    """(3, 6) displacement of a place by translations and rotations: t + omega x place."""
    x, y, z = place
    turn = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
    return np.hstack([np.eye(3), turn])


def _rim(panel: Panel) -> Iterator[tuple[Array, float, str | SpringEdge, int, Array]]:
    """Places on the rim: where, length of rim, how it is held, axis across, direction along."""
    x0, x1, y0, y1 = plan_bounds(panel)
    # Midpoint rule with eight places on each side, or on the whole rim of a disc.
    parts = (np.arange(8) + 0.5) / 8
    if panel.outline == "disc":
        radius = panel.radius_mm or 0.0
        for angle in 2.0 * math.pi * parts:
            c, s = math.cos(angle), math.sin(angle)
            yield (radius * np.array([c, s, 0.0]), radius * 2.0 * math.pi / 8,
                   panel.edge or "held", 0, np.array([-s, c, 0.0]))
        return
    for side, (across, along) in SIDES.items():
        low, high = ((x0, x1), (y0, y1))[along]
        fixed = {"left": x0, "right": x1, "bottom": y0, "top": y1}[side]
        direction = np.eye(3)[along]
        for part in parts:
            place = np.zeros(3)
            place[across], place[along] = fixed, low + part * (high - low)
            yield place, (high - low) / 8, getattr(panel.edges, side), across, direction


def _of_hold(hold: str | SpringEdge, across: int) -> tuple[Array, float]:
    """Stiffness against motion along x, y, z and against a turn about the edge, per mm of it."""
    if isinstance(hold, SpringEdge):
        return np.full(3, hold.spring_N_per_mm2), hold.rotation_N
    firm = np.full(3, FIRM_N_PER_MM)
    if hold == "free":
        return 0.0 * firm, 0.0
    if hold == "symmetric":
        return np.where(np.arange(3) == across, firm, 0.0), FIRM_N_PER_MM * 1e3
    # Rotational stiffness per mm of edge (N mm/mm): firm over a lever arm of about 30 mm.
    return firm, FIRM_N_PER_MM * 1e3 if hold == "held" else 0.0


def _bed(bed: RectangleSupport | DiscSupport | LineSupport) -> Iterator[tuple[Array, float]]:
    """Four places of a bed, each with a quarter of its area.

    At 1/sqrt(3) of the half sides (Gauss points), so that the second moment of area is that of the
    rectangle. A disc is a square of equal area, whose second moment is pi/3 times the disc's.
    """
    if isinstance(bed, DiscSupport):
        a = b = 0.5 * math.sqrt(math.pi) * bed.radius_mm
        angle = 0.0
    else:
        a, b, angle = 0.5 * bed.length_mm, 0.5 * bed.width_mm, math.radians(bed.angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    for p, q in ((a, b), (a, -b), (-a, b), (-a, -b)):
        u, v = p / math.sqrt(3.0), q / math.sqrt(3.0)
        yield np.array([bed.x_mm + c * u - s * v, bed.y_mm + s * u + c * v, 0.0]), a * b


def _words(mode: Array) -> str:
    """The larger part of a motion in words."""
    shift, turn = np.abs(mode[:3]), np.abs(mode[3:])
    if turn.max() > shift.max():
        return ("turning about a line along x", "turning about a line along y",
                "turning in its plane")[int(turn.argmax())]
    return ("moving along x", "moving along y", "moving away along its normal")[int(shift.argmax())]
