"""Reader of stored run and comparison folders: the pictures know nothing but these files.

Every table, field and description is checked as it is read, so that a folder that a killed run
left half-written, or a file that was damaged or altered, is refused with one line instead of drawn
wrongly. A folder may come from a stranger: nothing is followed out of it, waited for or unpacked.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.files import Damaged, load_arrays, load_json, read_back

FORMAT = 1
LARGEST_TEXT, LARGEST_FIELD = 20_000_000, 100_000_000
"""Bytes of the largest description or table and of the largest field that are read."""
MOST_STEPS, MOST_POINTS, MOST_STRATEGIES = 1000, 100_000, 100
FARTHEST_MM, LARGEST_NUMBER = 1e4, 1e15
NAME = re.compile(r"[\w-]{1,80}")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """Deviation of the panel after one step.

    Attributes
    ----------
    x_mm, y_mm : grid lines, shapes (nx,) and (ny,), rising.
    d_mm : deviation along the outward normal, shape (ny, nx), low < 0, high > 0; NaN outside
        the panel's outline.
    """

    x_mm: Array
    y_mm: Array
    d_mm: Array


@dataclass(frozen=True)
class Step:
    """One row of steps.csv; step 0 is the dent before any work.

    Attributes
    ----------
    number : step, counted from 0.
    operation, tool, outcome : words as recorded ("" when not given).
    x_mm, y_mm : where the tool worked; NaN at step 0.
    force_N : largest tool force; NaN when not recorded.
    max_low_mm : deepest low, zero or negative. max_high_mm : highest high, zero or positive.
    crown_mm : height of the crown; NaN when not recorded.
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


@dataclass(frozen=True)
class RunRecord:
    """A stored run: description, steps and the deviation field after each of them."""

    folder: Path
    title: str
    strategy: str
    outcome: str
    tolerance_mm: float
    steps: tuple[Step, ...]
    fields: tuple[Field, ...]

    @property
    def last(self) -> int:
        """Number of the last step."""
        return len(self.steps) - 1

    def step_index(self, step: int | None) -> int:
        """Step asked for, the last one by default; InputError when the run has no such step."""
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
    """A stored comparison: rows of compare.csv and the runs that are on disk, by strategy."""

    folder: Path
    title: str
    tolerance_mm: float
    rows: tuple[Mapping[str, str], ...]
    runs: Mapping[str, RunRecord]


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
    hint = "a folder written by simkit run or compare (run.json or compare.csv in it)"
    if (folder / "fields").is_dir() or (folder / "steps.csv").exists():
        raise InputError("half-written run: run.json is missing", "run the case again",
                         str(folder))
    raise InputError("not a run folder", hint, str(folder))


def read_run(folder: Path) -> RunRecord:
    """Read RUN/run.json, RUN/steps.csv and RUN/fields/*.npz; InputError when one is unusable."""
    folder = Path(folder)
    if is_comparison(folder):
        raise InputError("this is a comparison, not a run", "one of its runs/ folders",
                         str(folder))
    info = read_json(folder / "run.json", "run")
    steps = _read_steps(folder / "steps.csv")
    fields = tuple(read_field(folder / "fields" / f"{step.number:04d}.npz") for step in steps)
    for step, field in zip(steps, fields, strict=True):
        if not (np.array_equal(field.x_mm, fields[0].x_mm)
                and np.array_equal(field.y_mm, fields[0].y_mm)):
            raise InputError("grid differs from that of step 0", "one grid for the whole run",
                             str(folder / "fields" / f"{step.number:04d}.npz"))
    return RunRecord(folder, _text(info.get("title")) or folder.name,
                     _text(info.get("strategy")), _text(info.get("outcome")),
                     _tolerance(info, folder / "run.json"), steps, fields)


def read_comparison(folder: Path) -> ComparisonRecord:
    """Read COMPARISON/compare.csv, compare.json and the runs below runs/.

    A strategy whose run folder is missing keeps its row; a run folder that is there but damaged
    raises InputError.
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
        if not NAME.fullmatch(name):
            raise InputError(f"{name!r:.60} is no name of a strategy",
                             "letters, digits and dashes", str(path), number, "strategy")
        if (folder / "runs" / name / "run.json").exists():
            runs[name] = read_run(folder / "runs" / name)
    rows = tuple(row for _, row in table)
    info = (read_json(folder / "compare.json", "comparison")
            if (folder / "compare.json").exists() else {})
    first = next(iter(runs.values()), None)
    if "goal" in info or first is None:
        tolerance = _tolerance(info, folder / "compare.json")
    else:
        tolerance = first.tolerance_mm
    title = _text(info.get("title")) or (first.title if first else folder.name)
    return ComparisonRecord(folder, title, tolerance, rows, runs)


def read_path(folder: Path, step: int) -> ForcePath | None:
    """Force path of one operation, RUN/steps/NNNN_path.csv; None when it was not recorded."""
    path = Path(folder) / "steps" / f"{step:04d}_path.csv"
    if not os.path.lexists(path):
        return None
    rows = read_table(path, ("travel_mm", "force_N"), MOST_POINTS)
    columns = [np.array([as_number(row.get(key, ""), path, number, key) for number, row in rows])
               for key in ("travel_mm", "force_N", "predicted_release_mm")]
    return ForcePath(step, *columns)


def read_json(path: Path, kind: str) -> dict[str, Any]:
    """Description file as a dictionary; InputError when damaged, of another kind or format."""
    try:
        info = load_json(read_back(path, LARGEST_TEXT))
    except Damaged as fault:
        raise InputError(str(fault), "a whole file; run the case again", str(path),
                         fault.line) from None
    except OSError as err:
        raise InputError("cannot be read", "a JSON file written by simkit", str(path)) from err
    if not isinstance(info, dict):
        raise InputError("holds no description", "a JSON object", str(path))
    if info.get("format", FORMAT) != FORMAT:
        raise InputError(f"format {info['format']!r:.40} is unknown", f"format {FORMAT}",
                         str(path), key="format")
    if info.get("kind", kind) not in (kind, kind.replace("comparison", "compare")):
        raise InputError(f"is a {info['kind']!r:.40}", f"a {kind}", str(path), key="kind")
    return info


def read_table(path: Path, required: tuple[str, ...], most: int
               ) -> list[tuple[int, dict[str, str]]]:
    """At most ``most`` rows of a CSV with their line numbers; InputError for missing columns or
    torn rows."""
    try:
        text = read_back(path, LARGEST_TEXT).decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""))
        header = next(reader, [])
        rows = [(reader.line_num, cells) for cells in reader if cells]
    except FileNotFoundError as err:
        raise InputError("file is missing", "a whole folder; run the case again",
                         str(path)) from err
    except Damaged as fault:
        raise InputError(str(fault), "a CSV as simkit wrote it; run the case again",
                         str(path)) from None
    except (OSError, UnicodeDecodeError, csv.Error) as err:
        raise InputError("cannot be read as a table", "a CSV written by simkit",
                         str(path)) from err
    for name in required:
        if name not in header:
            raise InputError("column is missing", "a CSV written by simkit", str(path), 1, name)
    for number, cells in rows:
        if len(cells) != len(header):
            raise InputError(f"{len(cells)} cells in a table of {len(header)} columns",
                             "whole rows (half-written file?)", str(path), number)
    if not rows:
        raise InputError("table has no rows", "at least one row", str(path))
    if len(rows) > most:
        raise InputError(f"{len(rows)} rows", f"at most {most}", str(path))
    return [(number, dict(zip(header, cells, strict=True))) for number, cells in rows]


def as_number(text: str, path: Path, line: int, key: str) -> float:
    """A cell as float, NaN when empty; InputError with file, line and column when it is text."""
    if not text.strip():
        return float("nan")
    try:
        value = float(text)
    except ValueError as err:
        raise InputError(f"{text!r:.60} is not a number", "a number", str(path), line,
                         key) from err
    if abs(value) > LARGEST_NUMBER:
        raise InputError(f"{text!r:.60} is out of reason", "a number of a repair", str(path), line,
                         key)
    return value


def read_field(path: Path) -> Field:
    """Deviation field of one step; InputError when the archive is missing, torn or misshapen."""
    try:
        held = load_arrays(read_back(path, LARGEST_FIELD), ("x_mm", "y_mm", "d_mm"))
    except FileNotFoundError as err:
        raise InputError("half-written run: field of a recorded step is missing",
                         "run the case again", str(path)) from err
    except (Damaged, OSError) as fault:
        raise InputError(f"damaged field file: {fault}", "run the case again",
                         str(path)) from fault
    x, y, d = (np.asarray(held[key], dtype=float) for key in ("x_mm", "y_mm", "d_mm"))
    for key, line in (("x_mm", x), ("y_mm", y)):
        if line.ndim != 1 or line.size < 2 or not (
                np.isfinite(line).all() and np.all(np.diff(line) > 0.0)):
            raise InputError("grid lines do not rise", "at least two rising numbers", str(path),
                             key=key)
    if d.shape != (y.size, x.size):
        raise InputError(f"shape {d.shape}", f"{(y.size, x.size)}", str(path), key="d_mm")
    if not np.any(np.isfinite(d)) or np.any(np.abs(d[~np.isnan(d)]) > FARTHEST_MM):
        raise InputError("no usable deviations", "finite numbers within the panel", str(path),
                         key="d_mm")
    return Field(x, y, d)


def _read_steps(path: Path) -> tuple[Step, ...]:
    """Rows of steps.csv, which must run 0, 1, 2, ... without a gap."""
    steps = []
    rows = read_table(path, ("step", "operation", "max_low_mm", "max_high_mm"), MOST_STEPS + 1)
    for count, (line, row) in enumerate(rows):
        def cell(key: str, line: int = line, row: Mapping[str, str] = row) -> float:
            return as_number(row.get(key, ""), path, line, key)

        if cell("step") != count:
            raise InputError(f"step {row['step']!r:.40}", f"step {count} (0, 1, 2, ...)", str(path),
                             line, "step")
        # Depths may be stored with or without their sign; here a low is always negative.
        steps.append(Step(count, row["operation"], row.get("tool", ""), row.get("outcome", ""),
                          cell("x_mm"), cell("y_mm"), cell("force_N"), -abs(cell("max_low_mm")),
                          abs(cell("max_high_mm")), cell("crown_mm")))
    return tuple(steps)


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
