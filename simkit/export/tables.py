"""Steps and deviation fields as CSV, Parquet and one NPZ; layouts in docs/exports.md."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import InputError
from simkit.export.net import Array
from simkit.files import exact, write_arrays, write_atomic
from simkit.record.read import RunRecord

NO_PARQUET = ("Parquet files need pyarrow, which is not installed",
              "pip install -e '.[study]' in simkit's folder, or the format csv")


def write_csv(record: RunRecord, folder: Path) -> list[Path]:
    """steps.csv as recorded, and fields.csv: one row for each grid point, one column for each step.
    """
    files = []
    for name, (head, columns) in (("steps", _steps(record)), ("fields", _fields(record))):
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(zip(*(_texts(column) for column in columns), strict=True))
        files.append(folder / f"{name}.csv")
        write_atomic(files[-1], out.getvalue().encode())
    return files


def write_parquet(record: RunRecord, folder: Path) -> list[Path]:
    """The same two tables as Parquet; InputError without pyarrow."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise InputError(*NO_PARQUET) from error
    files = []
    for name, (head, columns) in (("steps", _steps(record)), ("fields", _fields(record))):
        out = io.BytesIO()
        table = pyarrow.table({key: pyarrow.array(column, from_pandas=True)
                               for key, column in zip(head, columns, strict=True)})
        pyarrow.parquet.write_table(table, out)
        files.append(folder / f"{name}.parquet")
        write_atomic(files[-1], out.getvalue())
    return files


def write_npz(record: RunRecord, path: Path) -> list[Path]:
    """One NPZ of the whole run: x_mm (nx,), y_mm (ny,), d_mm (steps, ny, nx), and a 1-D array for
    every column of steps.csv."""
    head, columns = _steps(record)
    arrays: dict[str, Any] = {
        # Version of the layout, see docs/exports.md.
        "format": np.array(1), "x_mm": record.fields[0].x_mm, "y_mm": record.fields[0].y_mm,
        "d_mm": np.stack([field.d_mm for field in record.fields])}
    arrays |= {f"steps_{name}": np.asarray(column, dtype=None if isinstance(column, np.ndarray)
                                           else str) for name, column in
               zip(head, columns, strict=True)}
    write_arrays(path, arrays)
    return [path]


def _steps(record: RunRecord) -> tuple[list[str], list[Array | list[str]]]:
    head = list(record.steps[0].row)
    return head, [_column([step.row[name] for step in record.steps]) for name in head]


def _fields(record: RunRecord) -> tuple[list[str], list[Array | list[str]]]:
    x, y = np.meshgrid(record.fields[0].x_mm, record.fields[0].y_mm)
    head = ["x_mm", "y_mm"] + [f"d_{step.number:04d}_mm" for step in record.steps]
    return head, [x.ravel(), y.ravel(), *(field.d_mm.ravel() for field in record.fields)]


def _column(cells: list[str]) -> Array | list[str]:
    """Numbers (empty cells NaN) if every cell that is not empty is a number, else texts."""
    try:
        return np.array([float(cell) if cell.strip() else np.nan for cell in cells])
    except ValueError:
        return cells


def _texts(column: Array | list[str]) -> list[str]:
    if isinstance(column, list):
        return column
    return [exact(value) for value in column]
