"""Readings of a gauge: scattered points from a file; checking, joining and merging readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from simkit.dent.field import LARGEST_REASONABLE_DEPTH_MM, Array
from simkit.dent.table import Table, column_of, number, read_table
from simkit.errors import InputError

FEWEST_POINTS = 6
MOST_POINTS, MOST_ROWS = 2000, 100_000
SAME_PLACE_MM = 1e-3
COLUMNS = ("x_mm", "y_mm", "d_mm")


@dataclass(frozen=True)
class Source:
    """Where readings come from: a name for messages, the file, and how they were taken.

    ``kind`` "outline" marks places interpolated along a drawn line: they are part of the field's
    data but are not used to estimate its error.
    """

    name: str
    file: str | None
    kind: Literal["points", "section", "outline"] = "points"


@dataclass(frozen=True)
class GaugePoints:
    """Readings of one or several sources.

    ``xy_mm`` (n, 2), ``d_mm`` (n,), ``line`` (n,) in its file (0 where there is none),
    ``source`` (n,) index in ``sources``; ``file`` is that of the first source.
    """

    file: str
    xy_mm: Array
    d_mm: Array
    line: NDArray[np.int64]
    source: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    sources: tuple[Source, ...] = ()

    def __post_init__(self) -> None:
        if not self.sources:
            object.__setattr__(self, "sources", (Source("gauge points", self.file),))
            object.__setattr__(self, "source", np.zeros(len(self.d_mm), dtype=np.int64))

    @property
    def read(self) -> NDArray[np.bool_]:
        """(n,) True for gauge readings, False for places interpolated along an outline."""
        kinds = np.array([source.kind != "outline" for source in self.sources])
        return np.asarray(kinds[self.source])

    def where(self, i: int) -> str:
        """Reading i in words: 'line 12', with the file's name where there are several."""
        source = self.sources[self.source[i]]
        files = {one.file for one in self.sources if one.file}
        of = f" of {Path(source.file).name}" if source.file and len(files) > 1 else ""
        return f"line {int(self.line[i])}{of}"


def read_points(path: Path, noise_mm: float) -> GaugePoints:
    """Gauge points from a CSV with the columns x_mm, y_mm, d_mm; others are ignored.

    Repeated places are averaged. Raises `InputError` for unreadable numbers, places that
    differ by more than three standard deviations of a difference
    (3 sqrt(2) noise), implausible depths, fewer than 6 places, or places on one line.
    """
    points = read_loose_points(path)
    points = merged(points, noise_mm)
    check_places(points)
    return points


def read_loose_points(path: Path) -> GaugePoints:
    """As `read_points`, without merging and without the check that they suffice alone."""
    return loose_points(read_table(path))


def loose_points(table: Table) -> GaugePoints:
    """The same from a table that has been read."""
    if len(table.rows) > MOST_ROWS:
        raise InputError(f"{len(table.rows)} readings", f"at most {MOST_ROWS}; give a dense scan "
                         "as a scan or a grid", file=table.file)
    values = _numbers(table)
    points = GaugePoints(table.file, values[:, :2], values[:, 2], np.array(table.lines))
    check_depths(points)
    return points


def joined(parts: Sequence[GaugePoints]) -> GaugePoints:
    """Readings of several sources as one."""
    shift = np.cumsum([0] + [len(part.sources) for part in parts[:-1]])
    return GaugePoints(
        parts[0].file,
        np.vstack([part.xy_mm for part in parts]),
        np.concatenate([part.d_mm for part in parts]),
        np.concatenate([part.line for part in parts]).astype(np.int64),
        np.concatenate([part.source + k for part, k in zip(parts, shift, strict=True)]),
        tuple(source for part in parts for source in part.sources))


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


def check_depths(points: GaugePoints) -> None:
    """Raise `InputError` for a deviation outside the plausible range."""
    deep = np.flatnonzero(np.abs(points.d_mm) > LARGEST_REASONABLE_DEPTH_MM)
    if deep.size:
        raise InputError(
            f"depth out of reason: {points.d_mm[deep[0]]:g} mm",
            f"between -{LARGEST_REASONABLE_DEPTH_MM:g} and {LARGEST_REASONABLE_DEPTH_MM:g} mm",
            file=points.file,
            line=int(points.line[deep[0]]),
            key="d_mm",
        )


def merged(points: GaugePoints, noise_mm: float) -> GaugePoints:
    """Readings with repeated places averaged; `InputError` if two differ by more than the limit."""
    # The difference of two readings has the standard deviation sqrt(2) noise.
    limit = 3.0 * np.sqrt(2.0) * noise_mm
    # Exact repeats first, without pairs: their number of pairs would grow with the square.
    points = _of_exact_places(points, noise_mm, limit)
    if len(points.d_mm) > 2 * MOST_POINTS:
        raise _too_many(len(points.d_mm), points.file or None)
    first = np.arange(len(points.d_mm))
    for i, j in sorted(cKDTree(points.xy_mm).query_pairs(SAME_PLACE_MM)):
        first[j] = min(first[j], first[i])
        if not (points.read[i] and points.read[j]):
            continue
        apart = abs(points.d_mm[i] - points.d_mm[j])
        if apart > limit + 1e-12:
            raise _contradiction(points, min(i, j), max(i, j), apart, noise_mm, limit)
    keep, group = np.unique(first, return_inverse=True)
    mean = np.bincount(group, points.d_mm) / np.bincount(group)
    return replace(points, xy_mm=points.xy_mm[keep], d_mm=mean, line=points.line[keep],
                   source=points.source[keep])


def _of_exact_places(points: GaugePoints, noise_mm: float, limit: float) -> GaugePoints:
    """Readings of exactly the same places averaged, however many there are."""
    _, keep, group = np.unique(points.xy_mm, axis=0, return_index=True, return_inverse=True)
    group = group.ravel()
    if len(keep) == len(group):
        return points
    read = points.read
    low, high = np.full(len(keep), np.inf), np.full(len(keep), -np.inf)
    np.minimum.at(low, group[read], points.d_mm[read])
    np.maximum.at(high, group[read], points.d_mm[read])
    worst = int(np.argmax(high - low))
    if high[worst] - low[worst] > limit + 1e-12:
        own = np.flatnonzero((group == worst) & read)
        i, j = own[points.d_mm[own].argmin()], own[points.d_mm[own].argmax()]
        raise _contradiction(points, min(i, j), max(i, j), high[worst] - low[worst], noise_mm,
                             limit)
    mean = np.bincount(group, points.d_mm) / np.bincount(group)
    order = np.argsort(keep)
    keep = keep[order]
    return replace(points, xy_mm=points.xy_mm[keep], d_mm=mean[order], line=points.line[keep],
                   source=points.source[keep])


def _too_many(count: int, file: str | None) -> InputError:
    return InputError(f"{count} gauge points at different places",
                      f"at most {MOST_POINTS}; give a dense scan as a scan or a grid", file=file)


def _contradiction(
    points: GaugePoints, i: int, j: int, apart: float, noise_mm: float, limit: float
) -> InputError:
    x, y = points.xy_mm[i]
    one, two = points.sources[points.source[i]], points.sources[points.source[j]]
    if one.file == two.file:
        i, j = sorted((i, j), key=lambda k: points.line[k])
        lines = f"lines {int(points.line[i])} and {int(points.line[j])}"
    else:
        lines = f"{points.where(i)} and {points.where(j)}"
    return InputError(
        f"two readings at x = {x:g}, y = {y:g} mm differ by {apart:.3g} mm ({lines})",
        f"within {limit:.3g} mm, as the noise of {noise_mm:g} mm allows",
        file=points.sources[points.source[j]].file,
        line=int(points.line[j]),
        key="d_mm",
    )


def check_places(points: GaugePoints) -> None:
    """Raise `InputError` for too few or too many readings, on one line, or far too deep."""
    n = int(points.read.sum())
    file = points.file or None
    if n < FEWEST_POINTS:
        raise InputError(f"{n} gauge points at different places", f"at least {FEWEST_POINTS}",
                         file=file)
    if len(points.d_mm) > MOST_POINTS:
        raise _too_many(len(points.d_mm), file)
    # Singular values are proportional to the extents of the points along their principal axes.
    size = np.linalg.svd(points.xy_mm - points.xy_mm.mean(axis=0), compute_uv=False)
    if size[1] < 1e-3 * size[0]:
        raise InputError(
            "all gauge points lie on one line", "points spread over the dent", file=file
        )
    span = np.ptp(points.xy_mm, axis=0).max()
    deepest = int(np.argmax(np.abs(points.d_mm)))
    if abs(points.d_mm[deepest]) > 0.5 * span:
        raise InputError(
            f"depth {points.d_mm[deepest]:g} mm over points that span only {span:.3g} mm",
            "x_mm and y_mm in mm, points reaching beyond the dent",
            file=file,
            line=int(points.line[deepest]) or None,
        )
