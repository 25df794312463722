r"""Depth on a rectangular grid, from a CSV file.

One format: the first cell is ``y\x``, the rest of the header are the x places [mm]; every row
starts with its y place [mm] and goes on with d [mm]. Both axes rise strictly; steps may differ.

    y\x, -20, -10,    0,   10
    -10, 0.0, -0.3, -0.4, -0.1
      0, 0.0, -0.8, -1.1, -0.2
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from simkit.dent.field import LARGEST_REASONABLE_DEPTH_MM, Array, Quality
from simkit.dent.hull import smooth_step
from simkit.dent.table import Table, number, read_table
from simkit.errors import InputError

CORNER = "y\\x"
FEWEST_NODES, MOST_NODES = 4, 1_000_000
RING_OF_DECAY = 3
RING_OF_ZERO = 4


@dataclass(frozen=True)
class DepthGrid:
    """Readings of one grid file: x_mm (nx,), y_mm (ny,), d_mm (ny, nx), line (ny,) of each row."""

    file: str
    x_mm: Array
    y_mm: Array
    d_mm: Array
    line: NDArray[np.int64]


@dataclass(frozen=True)
class GridSpline:
    """Bicubic spline through a grid, closed to zero within three steps outside it.

    ``extent_mm`` is (x_min, x_max, y_min, y_max) beyond which the field is zero.
    """

    spline: RectBivariateSpline
    extent_mm: tuple[float, float, float, float]
    quality: Quality

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        x0, x1, y0, y1 = self.extent_mm
        within = (x > x0) & (x < x1) & (y > y0) & (y < y1)
        d = np.zeros(np.shape(x))
        d[within] = self.spline(x[within], y[within], grid=False)
        return d


def read_grid(path: Path, highest_mm: float = LARGEST_REASONABLE_DEPTH_MM) -> DepthGrid:
    """Depth grid from a CSV file in the module's format; `InputError` for anything else.

    ``highest_mm``: larger absolute values are refused as errors of unit.
    """
    table = read_table(path)
    if table.header[0].replace(" ", "") != CORNER:
        raise InputError(
            f"the first cell of the header is {table.header[0][:40]!r}",
            f"{CORNER}, then the x places in mm (lists of points belong under points_csv)",
            file=table.file,
            line=table.header_line,
        )
    if len(table.rows) * len(table.header) > MOST_NODES:
        raise InputError(f"{len(table.rows)} x {len(table.header) - 1} places",
                         f"at most {MOST_NODES} in all: thin the grid out", file=table.file)
    x = np.array([
        number(cell, table.file, table.header_line, f"x place {i}")
        for i, cell in enumerate(table.header[1:], 1)
    ])
    y = np.array([
        number(row[0], table.file, line, "y place")
        for row, line in zip(table.rows, table.lines, strict=True)
    ])
    _check_axis(x, "x", table, [table.header_line] * len(x))
    _check_axis(y, "y", table, list(table.lines))
    return DepthGrid(table.file, x, y, _depths(table, highest_mm), np.array(table.lines))


def _depths(table: Table, highest_mm: float) -> Array:
    d = np.zeros((len(table.rows), len(table.header) - 1))
    for r, (row, line) in enumerate(zip(table.rows, table.lines, strict=True)):
        for c, cell in enumerate(row[1:]):
            column = f"column x = {table.header[c + 1]}, row y = {row[0]}"
            if not cell:
                raise InputError(
                    "hole in the grid", "a depth in mm in every cell", table.file, line, column
                )
            d[r, c] = number(cell, table.file, line, column)
            if abs(d[r, c]) > highest_mm:
                raise InputError(
                    f"depth out of reason: {d[r, c]:g} mm",
                    f"between -{highest_mm:g} and {highest_mm:g} mm",
                    table.file, line, column,
                )
    return d


def _check_axis(axis: Array, name: str, table: Table, lines: list[int]) -> None:
    if len(axis) < FEWEST_NODES:
        raise InputError(
            f"{len(axis)} places along {name}", f"at least {FEWEST_NODES}", file=table.file
        )
    back = np.flatnonzero(np.diff(axis) <= 0.0)
    if back.size:
        i = int(back[0])
        raise InputError(
            f"the {name} places do not rise: {axis[i]:g} is followed by {axis[i + 1]:g}",
            "places rising strictly",
            file=table.file,
            line=lines[i + 1],
            key=f"{name} place",
        )


def fit_grid(grid: DepthGrid, noise_mm: float) -> GridSpline:
    """Bicubic spline of a grid, smoothed until its misfit reaches the noise (0: exactly through).

    Outside, the rim's values fade to zero over three steps of the grid, then zeros follow.
    """
    d = grid.d_mm
    if noise_mm > 0.0:
        # s bounds the sum of squared residuals; n noise^2 is its expected value (Reinsch 1967,
        # MEMORY).
        smooth = RectBivariateSpline(grid.y_mm, grid.x_mm, d, s=d.size * noise_mm**2)
        d = smooth(grid.y_mm, grid.x_mm)
    x, y = _padded_axis(grid.x_mm), _padded_axis(grid.y_mm)
    pad = RING_OF_DECAY + RING_OF_ZERO
    fade = 1.0 - smooth_step(np.arange(1, pad + 1) / (RING_OF_DECAY + 1.0))
    factor_y, factor_x = (
        np.concatenate([fade[::-1], np.ones(n), fade]) for n in (len(grid.y_mm), len(grid.x_mm))
    )
    # The zeros beyond the faded rows keep the cubic spline from overshooting at the border.
    padded = np.pad(d, pad, mode="edge") * factor_y[:, None] * factor_x[None, :]
    # kx belongs to the first axis of the values: the spline is called with x first.
    spline = RectBivariateSpline(x, y, padded.T, s=0)
    rim = np.concatenate([grid.d_mm[0], grid.d_mm[-1], grid.d_mm[:, 0], grid.d_mm[:, -1]])
    edge = float(np.abs(rim).max())
    notes: tuple[str, ...] = ()
    if edge > max(4.0 * noise_mm, 0.1 * float(np.abs(grid.d_mm).max())):
        notes = (
            f"the rim of the grid still reads {edge:.2f} mm: measure further out, "
            "the field is closed to zero there by assumption",
        )
    quality = Quality(
        n_data=grid.d_mm.size,
        rms_misfit_mm=float(np.sqrt(np.mean((d - grid.d_mm) ** 2))),
        edge_mm=edge,
        notes=notes,
    )
    return GridSpline(spline, (x[0], x[-1], y[0], y[-1]), quality)


def _padded_axis(axis: Array) -> Array:
    steps = np.arange(1, RING_OF_DECAY + RING_OF_ZERO + 1)
    before = axis[0] - (axis[1] - axis[0]) * steps[::-1]
    after = axis[-1] + (axis[-1] - axis[-2]) * steps
    return np.concatenate([before, axis, after])
