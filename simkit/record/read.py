"""Reader of stored run and comparison folders; pictures are drawn from these files only.

Every table, field and description is checked when it is read. An incomplete folder of a killed run,
or a damaged or changed file, is refused with one line and not drawn. A folder may come from an
untrusted source: links out of it, pipes and pickled objects in it are not opened.
"""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.record.parts import (
    FARTHEST_MM,
    Field,
    as_number,
    field_file,
    read_field,
    read_json,
    read_table,
)

MOST_STEPS, MOST_POINTS, MOST_STRATEGIES = 1000, 100_000, 100
SHOWN = ("strategy", "outcome", "flat", "matched", "steps", "minutes", "max_low_mm", "max_high_mm",
         "slope_mrad", "improvement_pct", "max_force_N")
"""Columns of compare.csv that are shown in a notebook."""
SHOWN_RUNS = 8
"""Runs within a folder that a message names."""
NAME = re.compile(r"[\w-]{1,80}")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class StepRecord:
    """One row of steps.csv; step 0 is the dent before any work.

    Attributes
    ----------
    number : step, counted from 0.
    operation, tool, outcome : words as recorded ("" when not given).
    x_mm, y_mm : where the tool worked; NaN at step 0.
    force_N : largest tool force; NaN when not recorded.
    max_low_mm : deepest low, zero or negative. max_high_mm : highest high, zero or positive.
    crown_mm : height of the crown; NaN when not recorded.
    row : all cells of the row, as text by column.
    """

    number: int
    operation: str
    tool: str
    outcome: str
    x_mm: float
    y_mm: float
    force_N: float
    max_low_mm: float
    max_high_mm: float
    crown_mm: float
    row: Mapping[str, str] = dataclasses.field(default_factory=dict)

    def number_of(self, column: str) -> float:
        """A cell of the row as a number; NaN where it is empty, missing or a word."""
        try:
            return float(self.row.get(column, "").strip() or "nan")
        except ValueError:
            return float("nan")


@dataclass(frozen=True)
class RunRecord:
    """A stored run: description, steps and the deviation field after each of them.

    ``measured`` is the depth field that was measured, ``match`` what the record says of how the
    panel at step 0 compares with it; None where the record holds none.
    """

    folder: Path
    title: str
    strategy: str
    outcome: str
    tolerance_mm: float
    steps: tuple[StepRecord, ...]
    fields: tuple[Field, ...]
    measured: Field | None = None
    match: Mapping[str, Any] | None = None

    @property
    def last(self) -> int:
        """Number of the last step."""
        return len(self.steps) - 1

    def step_index(self, step: int | None) -> int:
        """The requested step, by default the last; InputError if the run has no such step."""
        if step is None:
            return self.last
        if not 0 <= step <= self.last:
            raise InputError(f"step {step} is not in this run", f"0 to {self.last}",
                             str(self.folder))
        return step


@dataclass(frozen=True)
class ForcePath:
    """Force against travel within one operation; all arrays of shape (n,)."""

    step: int
    travel_mm: Array
    force_N: Array
    predicted_release_mm: Array


@dataclass(frozen=True)
class ComparisonRecord:
    """A stored comparison: rows of compare.csv and the stored runs, by strategy."""

    folder: Path
    title: str
    tolerance_mm: float
    rows: tuple[Mapping[str, str], ...]
    runs: Mapping[str, RunRecord]

    def _repr_html_(self) -> str:
        """HTML table for notebooks: one row for each strategy, as in compare.csv."""
        keys = [key for key in SHOWN if any(key in row for row in self.rows)]
        head = "".join(f"<th>{escape(key.replace('_', ' '))}</th>" for key in keys)
        body = "".join("<tr>" + "".join(f"<td>{escape(str(row.get(key, '')))}</td>"
                                        for key in keys) + "</tr>" for row in self.rows)
        return (f"<p><b>{escape(self.title)}</b></p><table><thead><tr>{head}</tr></thead>"
                f"<tbody>{body}</tbody></table>")


def is_comparison(folder: Path) -> bool:
    """True for a comparison, False for a run; InputError when the folder is neither."""
    try:
        there = folder.exists()
    except OSError as err:
        raise InputError(f"cannot be read ({err.strerror})", "a run or comparison folder",
                         str(folder)) from err
    if not there:
        raise InputError("folder does not exist", "a run or comparison folder", str(folder))
    if not folder.is_dir():
        raise InputError("not a folder", "a run or comparison folder", str(folder))
    if (folder / "compare.csv").exists() or (folder / "compare.json").exists():
        return True
    if (folder / "run.json").exists():
        return False
    if (folder / "fields").is_dir() or (folder / "steps.csv").exists():
        raise InputError("half-written run: run.json is missing", "run the case again",
                         str(folder))
    inside = sorted(file.parent.name for file in folder.glob("*/run.json"))[:SHOWN_RUNS]
    raise InputError("not a run folder", "one of the runs in it: " + ", ".join(inside) if inside
                     else "a folder written by simkit run or compare (run.json or compare.csv in "
                     "it)", str(folder))


def read_run(folder: Path) -> RunRecord:
    """Read RUN/run.json, RUN/steps.csv and RUN/fields/*.npz; InputError if one cannot be used."""
    folder = Path(folder)
    if is_comparison(folder):
        raise InputError("this is a comparison, not a run", "one of its runs/ folders",
                         str(folder))
    info = read_json(folder / "run.json", "run")
    steps = _read_steps(folder / "steps.csv")
    fields = tuple(read_field(field_file(folder, step.number)) for step in steps)
    for step, field in zip(steps, fields, strict=True):
        # Differences between steps are taken point by point.
        if not (np.array_equal(field.x_mm, fields[0].x_mm)
                and np.array_equal(field.y_mm, fields[0].y_mm)):
            raise InputError("grid differs from that of step 0", "one grid for the whole run",
                             str(field_file(folder, step.number)))
    measured = folder / "measured.npz"
    return RunRecord(folder, _text(info.get("title")) or folder.name,
                     _text(info.get("strategy")), _text(info.get("outcome")),
                     _tolerance(info, folder / "run.json"), steps, fields,
                     read_field(measured) if measured.exists() else None, _match(info))


def read_comparison(folder: Path) -> ComparisonRecord:
    """Read COMPARISON/compare.csv, compare.json and the runs below runs/.

    A strategy without a run folder keeps its row; a damaged run folder raises InputError.
    """
    folder = Path(folder)
    if not is_comparison(folder):
        raise InputError("this is a run, not a comparison", "a folder with compare.csv",
                         str(folder))
    path = folder / "compare.csv"
    table = read_table(path, ("strategy", "steps"), MOST_STRATEGIES)
    runs = {}
    for number, row in table:
        for key in ("steps", "minutes", "max_low_mm", "max_high_mm"):
            as_number(row.get(key, ""), path, number, key)
        name = row["strategy"]
        # The name becomes part of a path: it must not lead out of the folder.
        if not NAME.fullmatch(name):
            raise InputError(f"{name!r:.60} is no name of a strategy",
                             "letters, digits and dashes", str(path), number, "strategy")
        if (folder / "runs" / name / "run.json").exists():
            runs[name] = read_run(folder / "runs" / name)
    rows = tuple(row for _, row in table)
    info = (read_json(folder / "compare.json", "comparison")
            if (folder / "compare.json").exists() else {})
    first = next(iter(runs.values()), None)
    # A comparison has its own goal if it was written completely; else that of its runs.
    if "goal" in info or first is None:
        tolerance = _tolerance(info, folder / "compare.json")
    else:
        tolerance = first.tolerance_mm
    title = _text(info.get("title")) or (first.title if first else folder.name)
    return ComparisonRecord(folder, title, tolerance, rows, runs)


def read_path(folder: Path, step: int) -> ForcePath | None:
    """Force path of one operation, RUN/steps/NNNN_path.csv; None if it was not recorded."""
    path = Path(folder) / "steps" / f"{step:04d}_path.csv"
    if not os.path.lexists(path):
        return None
    rows = read_table(path, ("travel_mm", "force_N"), MOST_POINTS)
    columns = [np.array([as_number(row.get(key, ""), path, number, key) for number, row in rows])
               for key in ("travel_mm", "force_N", "predicted_release_mm")]
    return ForcePath(step, *columns)


def _read_steps(path: Path) -> tuple[StepRecord, ...]:
    """Rows of steps.csv; the steps must be numbered 0, 1, 2, ... without a gap."""
    steps = []
    rows = read_table(path, ("step", "operation", "max_low_mm", "max_high_mm"), MOST_STEPS + 1)
    for count, (line, row) in enumerate(rows):
        def cell(key: str, line: int = line, row: Mapping[str, str] = row) -> float:
            return as_number(row.get(key, ""), path, line, key)

        if cell("step") != count:
            raise InputError(f"step {row['step']!r:.40}", f"step {count} (0, 1, 2, ...)", str(path),
                             line, "step")
        # Depths may be stored with or without their sign; here a low is always negative.
        steps.append(StepRecord(
            count, row["operation"], row.get("tool", ""), row.get("outcome", ""), cell("x_mm"),
            cell("y_mm"), cell("force_N"), -abs(cell("max_low_mm")), abs(cell("max_high_mm")),
            cell("crown_mm"), row))
    return tuple(steps)


def _match(info: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Results of the match for pictures; None if one of them is missing or no number."""
    notes = info.get("reconstruction")
    match = notes.get("match") if isinstance(notes, dict) else None
    if not isinstance(match, dict) or not isinstance(match.get("matched"), bool):
        return None
    numbers = [match.get("rms_mm"), match.get("worst_mm")]
    usable = all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers)
    return match if usable else None


def _tolerance(info: Mapping[str, Any], path: Path) -> float:
    goal = info.get("goal")
    value = goal.get("tolerance_mm", 0.1) if isinstance(goal, dict) else 0.1
    if (isinstance(value, bool) or not isinstance(value, int | float)
            or not 0.0 < value < FARTHEST_MM):
        raise InputError(f"{value!r:.40} is no tolerance", "a positive number of mm", str(path),
                         key="goal.tolerance_mm")
    return float(value)


def _text(value: object) -> str:
    return "" if value is None else str(value)
