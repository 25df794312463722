"""One table from many folders of runs, comparisons and studies."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from simkit.errors import InputError
from simkit.files import Damaged, load_json, read_back
from simkit.study.tables import HEAD, columns_of, dent_words, rows_of

LARGEST_FILE_BYTES, DEEPEST_FOLDER_LEVELS = 64 * 1024 * 1024, 5


def gather(folders: list[Path]) -> tuple[tuple[str, ...], list[dict[str, str]]]:
    """Columns and rows, one row for each finished run, in the order of the folders.

    Raises
    ------
    InputError : a folder that holds no run, comparison or study, or a damaged one.
    """
    rows: list[dict[str, str]] = []
    for folder in folders:
        found = list(_rows(folder))
        if not found:
            raise InputError("no run, comparison or study in this folder",
                             "a folder that simkit wrote", str(folder))
        rows += found
    return columns_of(rows, ("folder", *HEAD)), rows


def _rows(folder: Path, depth: int = 0) -> Iterator[dict[str, str]]:
    if (folder / "study.json").is_file() and (folder / "runs.csv").is_file():
        for row in read_rows(folder / "runs.csv"):
            yield {"folder": str(folder), **row}
        return
    if (folder / "compare.csv").is_file():
        what = _description(folder / "case.json")
        for row in read_rows(folder / "compare.csv"):
            yield _joined(folder, what, row)
        return
    if (folder / "run.json").is_file():
        summary = _description(folder / "run.json").get("summary")
        if isinstance(summary, dict):
            row = {str(key): str(value) for key, value in summary.items()}
            yield _joined(folder, _description(folder / "case.json"), row)
        return
    if folder.is_dir() and depth < DEEPEST_FOLDER_LEVELS:
        for inside in sorted(folder.iterdir()):
            if inside.is_dir() and not inside.is_symlink() and (
                    inside / "case.json").is_file():
                yield from _rows(inside, depth + 1)


def _joined(folder: Path, what: Mapping[str, Any], row: dict[str, str]) -> dict[str, str]:
    case = what.get("case")
    panel = case.get("panel") if isinstance(case, dict) else None
    panel = panel if isinstance(panel, dict) else {}
    dent = case.get("dent") if isinstance(case, dict) else None
    head = {"folder": str(folder), "run": row.get("strategy", ""),
            "case": str(case.get("title", "")) if isinstance(case, dict) else "",
            "dent": dent_words(dent) if isinstance(dent, dict) or dent is None else "",
            "grade": str(panel.get("grade", "")),
            "thickness_mm": str(panel.get("thickness_mm", "")),
            "status": "done"}
    return head | row


def _description(path: Path) -> dict[str, Any]:
    try:
        data = load_json(read_back(path, LARGEST_FILE_BYTES))
    except (OSError, Damaged) as fault:
        raise InputError(f"cannot be read as a record of simkit ({_why(fault)})",
                         "a repeated run", str(path)) from None
    return data if isinstance(data, dict) else {}


def read_rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV table that simkit wrote, by column.

    Raises
    ------
    InputError : a file that is missing, too large or no table.
    """
    try:
        return rows_of(read_back(path, LARGEST_FILE_BYTES))
    except (OSError, UnicodeDecodeError, csv.Error, Damaged) as fault:
        raise InputError(f"cannot be read as a table ({_why(fault)})", "a repeated run",
                         str(path)) from None


def _why(fault: Exception) -> str:
    return str(fault) if isinstance(fault, Damaged) else type(fault).__name__
