"""Scattered gauge points: reading, checking and merging them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from simkit.dent.field import LARGEST_REASONABLE_DEPTH_MM, Array
from simkit.dent.table import Table, column_of, number, read_table
from simkit.errors import InputError

FEWEST_POINTS = 6
MOST_POINTS = 2000
SAME_PLACE_MM = 1e-3
COLUMNS = ("x_mm", "y_mm", "d_mm")


@dataclass(frozen=True)
class GaugePoints:
    """Readings of one file: ``xy_mm`` (n, 2), ``d_mm`` (n,), ``line`` (n,) in the file."""

    file: str
    xy_mm: Array
    d_mm: Array
    line: NDArray[np.int64]


def read_points(path: Path, noise_mm: float) -> GaugePoints:
    """Gauge points from a CSV with the columns x_mm, y_mm, d_mm; others are ignored.

    Doubled places are averaged. Raises `InputError` for unreadable numbers, places that
    contradict each other by more than three standard deviations of a difference
    (3 sqrt(2) noise), depths out of reason, fewer than 6 places, or places on one line.
    """
    table = read_table(path)
    values = _numbers(table)
    points = GaugePoints(table.file, values[:, :2], values[:, 2], np.array(table.lines))
    _check_depths(points)
    points = _merged(points, noise_mm)
    _check_places(points)
    return points


def _numbers(table: Table) -> Array:
    columns = [column_of(table, name) for name in COLUMNS]
    values = [
        [
            number(row[i], table.file, line, name)
            for i, name in zip(columns, COLUMNS, strict=True)
        ]
        for row, line in zip(table.rows, table.lines, strict=True)
    ]
    return np.array(values, dtype=float)


def _check_depths(points: GaugePoints) -> None:
    deep = np.flatnonzero(np.abs(points.d_mm) > LARGEST_REASONABLE_DEPTH_MM)
    if deep.size:
        raise InputError(
            f"depth out of reason: {points.d_mm[deep[0]]:g} mm",
            f"between -{LARGEST_REASONABLE_DEPTH_MM:g} and {LARGEST_REASONABLE_DEPTH_MM:g} mm",
            file=points.file,
            line=int(points.line[deep[0]]),
            key="d_mm",
        )


def _merged(points: GaugePoints, noise_mm: float) -> GaugePoints:
    limit = 3.0 * np.sqrt(2.0) * noise_mm
    first = np.arange(len(points.d_mm))
    for i, j in sorted(cKDTree(points.xy_mm).query_pairs(SAME_PLACE_MM)):
        first[j] = min(first[j], first[i])
        apart = abs(points.d_mm[i] - points.d_mm[j])
        if apart > limit + 1e-12:
            lines = sorted((int(points.line[i]), int(points.line[j])))
            x, y = points.xy_mm[i]
            raise InputError(
                f"two readings at x = {x:g}, y = {y:g} mm differ by {apart:.3g} mm "
                f"(lines {lines[0]} and {lines[1]})",
                f"within {limit:.3g} mm, as the noise of {noise_mm:g} mm allows",
                file=points.file,
                line=lines[1],
                key="d_mm",
            )
    keep, group = np.unique(first, return_inverse=True)
    mean = np.bincount(group, points.d_mm) / np.bincount(group)
    return GaugePoints(points.file, points.xy_mm[keep], mean, points.line[keep])


def _check_places(points: GaugePoints) -> None:
    n = len(points.d_mm)
    if not FEWEST_POINTS <= n <= MOST_POINTS:
        wanted = f"at least {FEWEST_POINTS}" if n < FEWEST_POINTS else f"at most {MOST_POINTS}"
        hint = "" if n < FEWEST_POINTS else "; give a dense scan as a grid"
        raise InputError(f"{n} gauge points at different places", wanted + hint, file=points.file)
    size = np.linalg.svd(points.xy_mm - points.xy_mm.mean(axis=0), compute_uv=False)
    if size[1] < 1e-3 * size[0]:
        raise InputError(
            "all gauge points lie on one line", "points spread over the dent", file=points.file
        )
    span = np.ptp(points.xy_mm, axis=0).max()
    deepest = int(np.argmax(np.abs(points.d_mm)))
    if abs(points.d_mm[deepest]) > 0.5 * span:
        raise InputError(
            f"depth {points.d_mm[deepest]:g} mm over points that span only {span:.3g} mm",
            "x_mm and y_mm in mm, points reaching beyond the dent",
            file=points.file,
            line=int(points.line[deepest]),
        )
