"""Named sections of a profile gauge: readings along straight or bent lines on the panel.

The CSV file has the columns section (a name), s_mm (length along the section's line from its first
place) and d_mm; the lines are in the case file under the same names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from simkit.dent.field import Array
from simkit.dent.outlines import length_of
from simkit.dent.points import GaugePoints, Source, check_depths
from simkit.dent.table import column_of, number, read_table
from simkit.errors import InputError, one_of

FEWEST_READINGS = 3
SLACK_MM = 0.5
"""Largest distance of a reading beyond the end of its line, for errors of the ruler."""


@dataclass(frozen=True)
class SectionLine:
    """Where a section runs: ``name`` and ``xy_mm`` (m, 2), its places in order."""

    name: str
    xy_mm: Array


def read_sections(path: Path, lines: Sequence[SectionLine]) -> GaugePoints:
    """Readings of all sections of a CSV file, placed on the panel.

    Raises `InputError` for a section without a line or without readings, readings beyond the end
    of their line, fewer than three readings in a section, numbers that are none.
    """
    names = [line.name for line in lines]
    check_lines(lines)
    table = read_table(path)
    columns = [column_of(table, name) for name in ("section", "s_mm", "d_mm")]
    length = {line.name: float(length_of(line.xy_mm)[-1]) for line in lines}
    which, s, d = [], [], []
    for row, at in zip(table.rows, table.lines, strict=True):
        name = row[columns[0]]
        if name not in length:
            raise InputError(f"no line for section {name[:40]!r} in the case file",
                             one_of(name, names), table.file, at, "section")
        run = number(row[columns[1]], table.file, at, "s_mm")
        if not -SLACK_MM <= run <= length[name] + SLACK_MM:
            raise InputError(f"section {name!r} is {length[name]:.4g} mm long, the reading is at "
                             f"{run:g} mm", f"0 to {length[name]:.4g} mm along its line",
                             table.file, at, "s_mm")
        which.append(names.index(name))
        s.append(run)
        d.append(number(row[columns[2]], table.file, at, "d_mm"))
    source = np.array(which, dtype=np.int64)
    _check_counts(source, names, table.file)
    xy = np.zeros((len(s), 2))
    for k, line in enumerate(lines):
        own = source == k
        xy[own] = place_on(line.xy_mm, np.array(s)[own])
    readings = GaugePoints(
        table.file, xy, np.array(d), np.array(table.lines), source,
        tuple(Source(f"section {name}", table.file, "section") for name in names))
    check_depths(readings)
    return readings


def place_on(line: Array, s_mm: Array) -> Array:
    """(n, 2) places at lengths ``s_mm`` (n,) along a polyline, continued straight at its ends."""
    at = length_of(line)
    xy = np.column_stack([np.interp(s_mm, at, line[:, i]) for i in range(2)])
    for end, side in ((0, slice(0, 2)), (-1, slice(-2, None))):
        way = np.diff(line[side], axis=0)[0]
        beyond = s_mm < at[0] if end == 0 else s_mm > at[-1]
        past = (s_mm[beyond] - at[end])[:, None]
        xy[beyond] = line[end] + past * way / np.hypot(*way)
    return xy


def check_lines(lines: Sequence[SectionLine]) -> None:
    """Raise `InputError` for a name given twice or a line without length."""
    for k, line in enumerate(lines):
        key = f"dent.sections[{k}]"
        if line.name in [other.name for other in lines[:k]]:
            raise InputError(f"section {line.name!r} given twice", "each name once", key=key)
        if len(line.xy_mm) < 2 or np.hypot(*np.diff(line.xy_mm, axis=0).T).min() < 0.1:
            raise InputError(f"section {line.name!r} has no line",
                             "two or more places, each 0.1 mm or more from the one before", key=key)


def _check_counts(source: np.ndarray, names: Sequence[str], file: str) -> None:
    for k, name in enumerate(names):
        count = int((source == k).sum())
        if count < FEWEST_READINGS:
            raise InputError(f"section {name!r} has {count} readings",
                             f"at least {FEWEST_READINGS}", file=file)
