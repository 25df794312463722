"""Hardening of a case's own test with reversed loading, and the fall of the modulus."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from simkit.case.panel import FallingModulus, ReversedTest
from simkit.dent.table import column_of, number, read_table
from simkit.errors import InputError
from simkit.material.hardening import ModulusFall, Sheet
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


def with_fall(sheet: Sheet, asked: FallingModulus | None) -> Sheet:
    """The sheet with a modulus that falls with plastic strain, where asked for.

    The rate follows from the modulus at a plastic strain of 0.01.

    Raises
    ------
    InputError : a modulus at 1 per cent that does not lie between the ends.
    """
    if asked is None:
        return sheet
    share, there = 0.01 * asked.end_pct, 0.01 * asked.at_1pct_pct
    if not share < there < 1.0:
        raise InputError(f"modulus of {asked.at_1pct_pct:g} % at 1 % of strain, "
                         f"{asked.end_pct:g} % at the end", "100 above the first above the second",
                         key="at_1pct_pct")
    return replace(sheet, modulus_fall=ModulusFall(
        share, math.log((1.0 - share) / (there - share)) / 0.01))


def fit_remarks(sheet: Sheet, asked: ReversedTest | None) -> tuple[str, ...]:
    """What the test gave, in one sentence; nothing without a test."""
    if asked is None:
        return ()
    return (f"{asked.strip_csv.name}: {fit_of(asked, sheet.E_MPa).says()}.",)


def law_words(panel: Mapping[str, Any]) -> list[str]:
    """What a case's panel, as a mapping, sets beside the grade's own law, in words."""
    test, fall = panel.get("reversed_test"), panel.get("modulus_fall")
    rolling = panel.get("rolling") or {}
    words = []
    if test:
        words.append(f"hardening from {Path(test['strip_csv']).name}")
    if fall:
        words.append(f"modulus falls to {fall['end_pct']:g} %")
    if rolling.get("angle_deg"):
        words.append(f"rolled at {rolling['angle_deg']:g} degrees")
    if rolling.get("criterion", "of-grade") != "of-grade":
        words.append(f"yields by {rolling['criterion']}")
    return words


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
