"""Parts of stored folders: descriptions, tables and fields, each checked when it is read.

A damaged or changed file is refused with one line. A folder may come from an untrusted source:
links out of it, pipes and pickled objects in it are not opened.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.files import Damaged, load_arrays, load_json, read_back

FORMAT_VERSION = 1
LARGEST_TEXT, LARGEST_FIELD = 20_000_000, 100_000_000
"""Bytes of the largest description or table and of the largest field that are read."""
FARTHEST_MM, LARGEST_NUMBER = 1e4, 1e15
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


def read_json(path: Path, kind: str) -> dict[str, Any]:
    """Description file as a dictionary; InputError if it is damaged or of another kind or format.
    """
    try:
        info = load_json(read_back(path, LARGEST_TEXT))
    except Damaged as fault:
        raise InputError(str(fault), "a whole file; run the case again", str(path),
                         fault.line) from None
    except OSError as err:
        raise InputError("cannot be read", "a JSON file written by simkit", str(path)) from err
    if not isinstance(info, dict):
        raise InputError("holds no description", "a JSON object", str(path))
    if info.get("format", FORMAT_VERSION) != FORMAT_VERSION:
        raise InputError(f"format {info['format']!r:.40} is unknown", f"format {FORMAT_VERSION}",
                         str(path), key="format")
    if info.get("kind", kind) not in (kind, kind.replace("comparison", "compare")):
        raise InputError(f"is a {info['kind']!r:.40}", f"a {kind}", str(path), key="kind")
    return info


def read_table(path: Path, required: tuple[str, ...], most: int
               ) -> list[tuple[int, dict[str, str]]]:
    """Rows of a CSV with their line numbers; InputError for missing columns, incomplete rows, or
    more than ``most`` rows."""
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
    """A cell as float, NaN if empty; InputError with file, line and column if it is not a number.
    """
    if not text.strip():
        return float("nan")
    try:
        value = float(text)
    except ValueError as err:
        raise InputError(f"{text!r:.60} is not a number", "a number", str(path), line,
                         key) from err
    # No quantity of a repair is so large: the table is damaged.
    if abs(value) > LARGEST_NUMBER:
        raise InputError(f"{text!r:.60} is too large for this quantity", "a number of a repair",
                         str(path), line, key)
    return value


def field_file(folder: Path, step: int) -> Path:
    """File of a run folder with the deviations after a step."""
    return folder / "fields" / f"{step:04d}.npz"


def read_field(path: Path) -> Field:
    """Deviation field of one step; InputError if the file is missing, damaged or of wrong shape."""
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
    # Stored as (rows along y, columns along x).
    if d.shape != (y.size, x.size):
        raise InputError(f"shape {d.shape}", f"{(y.size, x.size)}", str(path), key="d_mm")
    if not np.any(np.isfinite(d)) or np.any(np.abs(d[~np.isnan(d)]) > FARTHEST_MM):
        raise InputError("no usable deviations", "finite numbers within the panel", str(path),
                         key="d_mm")
    return Field(x, y, d)
