"""Random differences between one real job and the next: sheet, hand and readings."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from simkit.case import Case, with_keys
from simkit.errors import InputError
from simkit.study.studyfile import SCATTER, Scatter


def varied_scatter(scatter: Scatter, varied: dict[str, Any]) -> Scatter:
    """The scatter of a study with the varied keys `scatter.NAME` set.

    Raises
    ------
    InputError : an unknown name, or a value out of its range.
    """
    own = {key.removeprefix(SCATTER): value for key, value in varied.items()
           if key.startswith(SCATTER)}
    try:
        return Scatter.model_validate({**scatter.model_dump(), **own}) if own else scatter
    except ValidationError as error:
        fault = error.errors()[0]
        name = ".".join(map(str, fault["loc"]))
        known = ", ".join(Scatter.model_fields)
        raise InputError(f"{SCATTER}{name} {fault['input']!r}",
                         known if fault["type"] == "extra_forbidden" else fault["msg"].lower(),
                         key=SCATTER + name) from None


def drawn_keys(case: Case, scatter: Scatter, rng: np.random.Generator) -> dict[str, Any]:
    """Values of the keys that a draw changes; the draws are clipped to three standard
    deviations."""
    normal = np.clip(rng.standard_normal(2), -3.0, 3.0)
    keys: dict[str, Any] = {}
    if scatter.thickness_pct > 0.0:
        keys["panel.thickness_mm"] = float(
            case.panel.thickness_mm * (1.0 + 0.01 * scatter.thickness_pct * normal[0]))
    if scatter.yield_pct > 0.0:
        keys["panel.flow_stress_pct"] = float(
            case.panel.flow_stress_pct * (1.0 + 0.01 * scatter.yield_pct * normal[1]))
    hand = {f"hand.{key}": value for key in ("place_mm", "height_pct", "height_mm")
            if (value := getattr(scatter, key)) > 0.0}
    if hand:
        keys |= {**hand, "seed": int(rng.integers(2**31 - 1))}
    return keys


def scattered(case: Case, scatter: Scatter, seed: int, replicate: int) -> Case:
    """The case of one replicate. Draws depend on seed and replicate only, so that all strategies
    and varied keys have the same draws (common random numbers, which reduce the variance of
    differences). An error added to the readings is added to the one that the case states."""
    keys = drawn_keys(case, scatter, np.random.default_rng([seed, replicate]))
    if scatter.noise_mm > 0.0 and case.dent is not None and (
            case.dent.points_csv or case.dent.sections_csv):
        keys["dent.noise_mm"] = math.hypot(case.dent.noise_mm, scatter.noise_mm)
    return with_keys(case, keys) if keys else case


def noisy_table(file: Path, noise_mm: float, seed: int, replicate: int) -> str:
    """Text of a CSV of readings with an error added to each depth (column d_mm).

    Raises
    ------
    InputError : no column d_mm, or a depth that is not a number.
    """
    rows = [row for row in file.read_text("utf-8-sig").splitlines()
            if row.strip() and not row.startswith("#")]
    table = list(csv.reader(rows))
    if not table or "d_mm" not in [name.strip() for name in table[0]]:
        raise InputError("scatter.noise_mm needs readings", "a table with a column d_mm",
                         str(file))
    column = [name.strip() for name in table[0]].index("d_mm")
    # the 7 makes this stream independent of that of the keys, which has the same seed and replicate
    error = np.random.default_rng([seed, replicate, 7]).normal(0.0, noise_mm, len(table))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table[0])
    for row, add in zip(table[1:], error[1:], strict=True):
        try:
            row[column] = f"{float(row[column]) + add:.4f}"
        except (ValueError, IndexError):
            raise InputError(f"row {row} has no depth", "a number in column d_mm",
                             str(file)) from None
        writer.writerow(row)
    return text.getvalue()
