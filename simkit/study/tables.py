"""Tables of many runs, with one row for each run or each step, as CSV and Parquet."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from simkit.files import Damaged, read_back, write_atomic, write_table
from simkit.study.jobs import read_result

HEAD = ("run", "case", "dent", "grade", "thickness_mm", "strategy", "replicate", "status",
        "reason", "matched", "rms_mm")
"""First columns of `runs`; the columns of compare.csv and every varied key follow."""

MATCHED = {"True": "yes", "False": "no"}


def run_row(folder: Path, job: Mapping[str, Any], case: Mapping[str, Any],
            status: str = "") -> dict[str, str]:
    """Row of one run from its folder; ``status`` is used if there is no result."""
    result = read_result(folder) or {"status": status or "not run", "reason": ""}
    row = {"run": folder.name, "case": str(job["case"]), "dent": dent_words(case.get("dent")),
           "grade": str(case["panel"]["grade"]),
           "thickness_mm": f"{case['panel']['thickness_mm']:.6g}",
           "strategy": str(job["strategy"]), "replicate": str(job["replicate"]),
           "status": str(result["status"]), "reason": str(result.get("reason", "")),
           "matched": MATCHED.get(str(result.get("matched")), ""),
           "rms_mm": f"{result['rms_mm']:.4g}" if "rms_mm" in result else ""}
    row |= {key: value for key, value in result.get("row", {}).items() if key not in row}
    return row | {key: cell(value) for key, value in job.get("varied", {}).items()}


def cell(value: Any) -> str:
    """A value as text for a table."""
    if isinstance(value, float):
        return f"{value:.10g}"
    return value if isinstance(value, str) else json.dumps(value)


def dent_words(dent: Mapping[str, Any] | None) -> str:
    """Short description of a case's dent."""
    if not dent:
        return "none"
    for key in ("blows", "shapes"):
        if dent.get(key):
            return "+".join(str(item.get("kind") or item.get("body") or "blow")
                            for item in dent[key])
    return next((key.removesuffix("_csv") for key in
                 ("points_csv", "sections_csv", "grid_csv", "scan") if dent.get(key)), "outlines")


def rows_of(table: bytes) -> list[dict[str, str]]:
    """Rows of a CSV table by column, missing cells empty; raises UnicodeDecodeError or csv.Error if
    it is not such a table."""
    text = io.StringIO(table.decode("utf-8"), newline="")
    return [{key: value or "" for key, value in row.items() if key}
            for row in csv.DictReader(text)]


def step_rows(folder: Path, name: str) -> list[dict[str, str]]:
    """Rows of steps.csv of a run, with the run's name first; empty without a record."""
    try:
        return [{"run": name, **row} for row in rows_of(read_back(folder / "steps.csv"))]
    except (OSError, Damaged):
        return []


def columns_of(rows: Iterable[Mapping[str, str]], first: Sequence[str] = ()) -> tuple[str, ...]:
    """All columns of all rows, in the order of their first use; ``first`` before all others."""
    names = dict.fromkeys(first)
    for row in rows:
        names.update(dict.fromkeys(row))
    return tuple(names)


def write_both(folder: Path, name: str, rows: Sequence[Mapping[str, str]],
               first: Sequence[str] = ()) -> list[Path]:
    """Write rows as NAME.csv and, if pyarrow is installed, as NAME.parquet."""
    columns = columns_of(rows, first)
    full = [{column: row.get(column, "") for column in columns} for row in rows]
    csv_file = folder / f"{name}.csv"
    write_table(csv_file, columns, full)
    data = parquet(columns, full)
    if data is None:
        return [csv_file]
    write_atomic(folder / f"{name}.parquet", data)
    return [csv_file, folder / f"{name}.parquet"]


def parquet(columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> bytes | None:
    """The table as Parquet with typed columns, empty cells as nulls; None without pyarrow."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        return None
    table = pyarrow.table({name: _typed([row[name] for row in rows]) for name in columns})
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(table, sink)
    return bytes(sink.getvalue().to_pybytes())


def _typed(cells: list[str]) -> list[Any]:
    """A column as integers or floats if all of its cells are, otherwise as text."""
    filled = [text for text in cells if text != ""]
    for sort in (int, float):
        try:
            for text in filled:
                sort(text)
        except ValueError:
            continue
        if filled:
            return [None if text == "" else sort(text) for text in cells]
    return [None if text == "" else text for text in cells]
