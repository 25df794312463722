"""Readings that tell what a step did: after it, or at the same places before and after it.

With readings before and after, the change itself is measured: an error of the reconstructed shape,
which is as large as that of a coarse reading, drops out, and so does an offset of the gauge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.case import Case
from simkit.dent.points import GaugePoints, loose_points
from simkit.dent.table import column_of, number, read_table
from simkit.errors import InputError
from simkit.history.learning import MOST_SLIPS, SLIP_STANDARD_ERRORS
from simkit.history.plausible import MODEL_MM

Array = NDArray[np.float64]
BEFORE = "before_mm"
"""Column of the deviation before the step."""
LARGEST_NOISE_MM = 5.0


@dataclass(frozen=True)
class Readings:
    """Deviations read after a step: ``points`` places and deviations, ``before_mm`` (n,) the
    deviations there before it, or None; ``noise_mm`` standard error of one reading."""

    points: GaugePoints
    noise_mm: float
    before_mm: Array | None = None

    def standing(self, standing_mm: Array) -> Array:
        """(m, n) deviations before the step, from which its change counts in each history."""
        if self.before_mm is None:
            return standing_mm
        return np.broadcast_to(self.before_mm, standing_mm.shape).copy()

    @property
    def error_mm(self) -> float:
        """Standard error of a reading against the prediction of its history, without that of the
        step's effect."""
        if self.before_mm is None:
            return float(np.hypot(self.noise_mm, MODEL_MM))
        return float(np.sqrt(2.0) * self.noise_mm)

    def check_before(self, standing_mm: Array, step: int) -> None:
        """Raise InputError if the readings before the step are of another panel.

        standing_mm (m, n): deviations before the step in each history.
        """
        if self.before_mm is None:
            return
        off = np.abs(self.before_mm - standing_mm).min(axis=0)
        limit = SLIP_STANDARD_ERRORS * float(np.hypot(self.noise_mm, MODEL_MM))
        if np.mean(off > limit) > MOST_SLIPS:
            k = int(np.argmax(off))
            x, y = self.points.xy_mm[k]
            raise InputError(
                f"the readings before step {step} are not of this panel: most of all the one at x "
                f"{x:g}, y {y:g} mm, {self.before_mm[k]:+.2f} mm where "
                f"{standing_mm[:, k].mean():+.2f} is expected", "deviations from the undamaged "
                "surface, in mm, taken just before that step", file=self.points.file,
                line=int(self.points.line[k]), key=BEFORE)


def gauge_noise(case: Case, noise_mm: float | None) -> float:
    """Standard error of a reading, mm: the given one, or that of the case's depths for None.

    Raises
    ------
    InputError : a given one that is no number from 0 to LARGEST_NOISE_MM.
    """
    if noise_mm is None:
        return case.noise_mm
    if not (math.isfinite(noise_mm) and 0.0 <= noise_mm <= LARGEST_NOISE_MM):
        raise InputError(f"a gauge that errs by {noise_mm:g} mm", f"0 to {LARGEST_NOISE_MM:g} mm",
                         key="noise_mm")
    return noise_mm


def read_readings(path: Path, noise_mm: float) -> Readings:
    """Readings from a CSV: columns x_mm, y_mm, d_mm and, where it was read too, before_mm.

    Raises
    ------
    InputError : what cannot be read.
    """
    table = read_table(path)
    points = loose_points(table)
    if BEFORE not in table.header:
        return Readings(points, noise_mm)
    column = column_of(table, BEFORE)
    before = [number(row[column], table.file, line, BEFORE)
              for row, line in zip(table.rows, table.lines, strict=True)]
    return Readings(points, noise_mm, np.array(before))


def as_readings(rows: ArrayLike, noise_mm: float, lines: ArrayLike | None = None) -> Readings:
    """Readings from rows x, y, d or x, y, before, d, mm; ``lines`` their numbers in messages.

    Raises
    ------
    InputError : another shape, or numbers that are not finite.
    """
    table = np.atleast_2d(np.asarray(rows, dtype=float))
    if table.ndim != 2 or table.shape[1] not in (3, 4) or not np.isfinite(table).all():
        raise InputError(f"readings of shape {table.shape}", "rows of x, y and deviation, or of x, "
                         "y, deviation before and after, all in mm and finite", key="readings")
    numbers = np.arange(1, len(table) + 1) if lines is None else np.asarray(lines)
    points = GaugePoints("", table[:, :2], table[:, -1], numbers)
    return Readings(points, noise_mm, table[:, 2] if table.shape[1] == 4 else None)
