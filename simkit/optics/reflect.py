"""Reflection lines, isophotes and the line shift of a slope error, from points and normals.

A ray from the eye in direction v meets the panel at p with unit normal n and leaves along
r = v - 2 (n . v) n. It meets the board of lamp lines at a coordinate s across the lines; a line
of the picture is where s is a multiple of the spacing. With lamps very far away only the angle of
r about the lamps' direction a counts: theta = atan2(r_p . v_o, r_p . v_p), with r_p and v_p the
parts of r and v square to a, and v_o = a x v_p (the formulation of Tosun, Gingold, Reisman and
Zorin 2007, Shape optimization using reflection lines; title and year from MEMORY, the formula was
derived again here).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.optics.bench import Bench

Array = NDArray[np.float64]


def reflected(points: Array, normals: Array, eye_mm: Array) -> tuple[Array, Array]:
    """Unit directions (..., 3) of the ray from the eye and of the ray it becomes."""
    view = points - eye_mm
    view = view / np.linalg.norm(view, axis=-1, keepdims=True)
    facing = np.sum(normals * view, axis=-1, keepdims=True)
    return view, view - 2.0 * facing * normals


def lamp_coordinate(points: Array, normals: Array, bench: Bench) -> Array:
    """Where the reflected ray meets the board, across its lines, mm; NaN where it misses.

    points, normals : (..., 3), mm and unit. The board is taken as endless.
    """
    _, ray = reflected(points, normals, bench.eye_mm)
    speed = ray @ bench.facing
    gap = (bench.board_mm - points) @ bench.facing
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = gap / speed
        hit = points + reach[..., None] * ray - bench.board_mm
        return np.where((reach > 0.0) & np.isfinite(reach), hit @ bench.across, np.nan)


def far_angle(points: Array, normals: Array, eye_mm: Array, along: Array) -> Array:
    """Angle theta of the reflected ray about the direction of lamps that are very far, rad."""
    view, ray = reflected(points, normals, eye_mm)
    v_p = view - (view @ along)[..., None] * along
    r_p = ray - (ray @ along)[..., None] * along
    v_o = np.cross(along, v_p)
    return np.arctan2(np.sum(r_p * v_o, axis=-1), np.sum(r_p * v_p, axis=-1))


def isophote(normals: Array, light: Array) -> Array:
    """Cosine between the normal and a unit direction to the light; isophotes are its contours."""
    return normals @ light


def stripes(coordinate: Array, spacing_mm: float, lit: float) -> Array:
    """Brightness 0 to 1 of a grid of lamp coordinates (ny, nx): the lit share of every cell.

    Exact for a coordinate that is linear over the cell, so that lines too dense for the grid
    fade to grey instead of making false patterns. Dark where the ray misses the board.
    """
    phase = coordinate / spacing_mm
    rows, columns = np.gradient(phase)
    # A linear phase changes by |d/drow| + |d/dcolumn| over a cell; average the lit share over it.
    width = np.maximum(np.abs(rows) + np.abs(columns), 1e-9)
    share = (_lit_length(phase + 0.5 * width, lit) - _lit_length(phase - 0.5 * width, lit)) / width
    return np.nan_to_num(np.clip(share, 0.0, 1.0))


def _lit_length(phase: Array, lit: float) -> Array:
    """Lit length from 0 to a phase, lines centred on the whole numbers."""
    moved = phase + 0.5 * lit
    whole = np.floor(moved)
    return lit * whole + np.minimum(moved - whole, lit)


def line_shift_mm(coordinate: Array, undamaged: Array, points: Array) -> Array:
    """How far a line has moved on the panel, square to itself, mm; signed, (ny, nx).

    Lamp coordinates now and of the undamaged panel on one grid of panel points (ny, nx, 3). A line
    is where the coordinate is constant; it moves by the change of the coordinate over its gradient.
    """
    gradient = surface_gradient(undamaged, points)
    return (undamaged - coordinate) / np.linalg.norm(gradient, axis=-1)


def surface_gradient(values: Array, points: Array) -> Array:
    """Gradient (ny, nx, 3) of values on a curved grid of points (ny, nx, 3)."""
    f1, f2 = np.gradient(values)
    t1, t2 = np.gradient(points, axis=(0, 1))
    # Metric a_ij = t_i . t_j; the contravariant vectors t^i = a^ij t_j give grad f = f,i t^i.
    # Derivatives are taken with unit steps of rows and columns; the true spacing cancels.
    a11, a22, a12 = (np.sum(p * q, axis=-1, keepdims=True)
                     for p, q in ((t1, t1), (t2, t2), (t1, t2)))
    det = a11 * a22 - a12**2
    up1, up2 = (a22 * t1 - a12 * t2) / det, (a11 * t2 - a12 * t1) / det
    return np.asarray(f1)[..., None] * up1 + np.asarray(f2)[..., None] * up2


def slope_error_mrad(normals: Array, undamaged: Array) -> Array:
    """Angle between the normals (..., 3) now and of the undamaged panel, mrad."""
    sine = np.linalg.norm(np.cross(normals, undamaged), axis=-1)
    return 1000.0 * np.arctan2(sine, np.sum(normals * undamaged, axis=-1))


def shift_of_slope_mm(slope_mrad: float, radius_mm: float, eye_mm: float, lamp_mm: float) -> float:
    """Line shift on the panel by a slope error, near normal view, mm:
    slope / (1/R + (1/d_eye + 1/d_lamp) / 2); R is the panel's radius across the lines.

    A shift by x turns the normal by x/R and the two rays by x/d each; the normal must bisect the
    rays, so the slope error equals x (1/R + (1/d_eye + 1/d_lamp) / 2).
    """
    return 1e-3 * slope_mrad / (1.0 / radius_mm + 0.5 * (1.0 / eye_mm + 1.0 / lamp_mm))
