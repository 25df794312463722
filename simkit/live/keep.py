"""Saving the present panel as a new case: its deviations become the damage of that case."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.case import Case, save_case, with_keys
from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.inspection.spots import SampledField
from simkit.live.workshop import NAME, Workshop

Array = NDArray[np.float64]
GRID = "deviation.csv"
MOST_READINGS = 20_000
"""Largest number of grid points that are written: a step of about 2 mm on most panels."""


def save_as_case(shop: Workshop, name: str) -> Path:
    """Write the panel of the present branch as a new case; returns the case file.

    The case has only the deviations, as a gauge would read them. Strains and stresses are left out;
    they are reconstructed when the case is opened. While a tool is held the panel is loaded and
    cannot be written.

    Raises
    ------
    InputError : a name that is none or is taken, or a tool that is held.
    """
    if not NAME.fullmatch(name):
        raise InputError(f"name of a case {name[:50]!r}", "up to 40 letters, digits, - and _")
    if shop.session.now.row.held_N > 0.0:
        raise InputError("a tool is held", "let it down first")
    folder = shop.folder / "cases" / name.replace(" ", "_")
    file = folder / "case.yaml"
    if file.exists():
        raise InputError(f"case '{name}' is there already", "a new name")
    write_atomic(folder / GRID, _grid_csv(shop.session.now.field))
    return save_case(_case_of(shop, name, folder), file)


def _case_of(shop: Workshop, name: str, folder: Path) -> Case:
    old = shop.start.work.case
    steps = shop.session.steps[1:]
    return with_keys(old, {
        "title": name,
        "about": f"{old.title} after {len(steps)} steps at the bench, branch {shop.branch}.",
        "dent": {"grid_csv": (folder / GRID).resolve().as_posix(),
                 "noise_mm": max(0.005, old.noise_mm)},
        "history": {}})  # the old one told how the first dent came about


def _grid_csv(field: SampledField) -> bytes:
    """x along the first row, y down the first column, deviations in mm; zero off the panel."""
    every = math.ceil(math.sqrt(field.d_mm.size / MOST_READINGS))
    x, y = _thinned(field.x_mm, every), _thinned(field.y_mm, every)
    d = np.nan_to_num(field.d_mm[np.ix_(y, x)])
    text = io.StringIO()
    text.write("y\\x," + ",".join(f"{value:.6g}" for value in field.x_mm[x]) + "\n")
    for place, row in zip(field.y_mm[y], d, strict=True):
        text.write(f"{place:.6g}," + ",".join(f"{value:.5f}" for value in row) + "\n")
    return text.getvalue().encode()


def _thinned(axis: Array, every: int) -> NDArray[np.int64]:
    """Indices of about every ``every``-th grid line, with the first and the last one."""
    count = max(3, round((len(axis) - 1) / every) + 1)
    return np.round(np.linspace(0, len(axis) - 1, count)).astype(np.int64)
