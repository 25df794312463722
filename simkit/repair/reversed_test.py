"""Hardening of a case's own test with reversed loading."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from simkit.case.panel import ReversedTest
from simkit.dent.table import column_of, number, read_table
from simkit.errors import InputError
from simkit.material.hardening import Sheet
from simkit.material.reversal import Readings, ReversalFit, fit_reversal

COLUMNS = ("strain", "stress_MPa")
MOST_READINGS = 20_000


def own_sheet(sheet: Sheet, asked: ReversedTest | None) -> Sheet:
    """The sheet with the hardening and backstress that the test gives; without one, as it is.

    Raises
    ------
    InputError : readings that cannot be used, or without a reversal.
    """
    if asked is None:
        return sheet
    fit = fit_of(asked, sheet.E_MPa)
    return replace(sheet, hardening=fit.isotropic, backstress=fit.backstress)


def fit_remarks(sheet: Sheet, asked: ReversedTest | None) -> tuple[str, ...]:
    """What the test gave, in one sentence; nothing without a test."""
    if asked is None:
        return ()
    return (f"{asked.strip_csv.name}: {fit_of(asked, sheet.E_MPa).says()}.",)


def fit_of(asked: ReversedTest, E_MPa: float) -> ReversalFit:
    """Laws fitted to the readings, with the modulus of the grade."""
    file = asked.strip_csv
    stamp = (file.stat().st_mtime_ns, file.stat().st_size) if file.is_file() else (0, 0)
    return _fit(file, stamp, E_MPa, asked.terms)


@cache
def _fit(path: Path, stamp: tuple[int, int], E_MPa: float, terms: int) -> ReversalFit:
    """The fit, kept for as long as the file stays the same (``stamp``: its time and size)."""
    try:
        return fit_reversal((read_readings(path),), E_MPa, terms)
    except InputError as error:
        error.file = error.file or str(path)
        raise


def read_readings(path: Path) -> Readings:
    """Readings of a CSV file with the columns strain and stress_MPa; others are ignored.

    Raises
    ------
    InputError : a missing column, a cell that is no number, too few or too many readings.
    """
    table = read_table(path)
    if len(table.rows) > MOST_READINGS:
        raise InputError(f"{len(table.rows)} readings", f"at most {MOST_READINGS}",
                         file=table.file)
    places = [column_of(table, name) for name in COLUMNS]
    values = np.array([[number(row[at], table.file, line, name)
                        for at, name in zip(places, COLUMNS, strict=True)]
                       for row, line in zip(table.rows, table.lines, strict=True)])
    try:
        return Readings(values[:, 0], values[:, 1])
    except InputError as error:
        error.file = table.file
        raise
