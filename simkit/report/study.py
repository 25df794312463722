"""The report of a study: what was varied, the conclusions, and a row for each run."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import fmean
from typing import Any

from simkit.errors import InputError
from simkit.record.read import read_json, read_table
from simkit.report.facts import PROMISE
from simkit.tool.cautions import cautions_for

MOST_ROWS, MOST_RUNS = 400, 250_000
"""Largest numbers of runs that are listed (the table on disk has all) and that are read."""
ALWAYS = ("case", "strategy", "replicate", "status")
NUMBERS = ("steps", "minutes", "stage", "max_low_mm", "max_high_mm", "slope_mrad",
           "improvement_pct", "max_force_N", "outcome")
MOST_VALUES = 12
"""Largest number of values of a key for which it is drawn."""
DRAWN = (("improvement_pct", "improvement (%)"), ("steps", "steps"), ("minutes", "minutes"),
         ("max_force_N", "largest force (N)"))
"""Quantities of the pictures."""
VARIED = re.compile(r"^[a-z_]+\.[\w.]+$")

COMPARED = ("a", "b", "quantity", "pairs", "mean", "low", "high", "spread", "only_a", "only_b")

Row = Mapping[str, str]


def is_study(folder: Path) -> bool:
    """Whether a folder holds a study."""
    return (folder / "study.json").exists()


def study_content(folder: Path) -> dict[str, Any]:
    """Content of the page of a study; InputError if its tables are missing or damaged."""
    info = read_json(folder / "study.json", "study").get("study")
    if not isinstance(info, dict):
        raise InputError("holds no study", "a folder written by simkit study",
                         str(folder / "study.json"))
    rows = [row for _, row in read_table(folder / "runs.csv", ("strategy", "status"), MOST_RUNS)]
    concluded = _optional(folder / "conclusions.csv")
    count = Counter(row["status"] for row in rows)
    status = ", ".join(f"{number} {word}" for word, number in count.most_common())
    sentence = next((key for key in ("conclusion", "sentence", "words") if concluded
                     and key in concluded[0]), None)
    return {
        "title": str(info.get("title", folder.name)), "about": str(info.get("about", "")),
        "under": f"Report of a study \u00b7 {len(rows)} runs: {status}",
        "footer": str(info.get("title", folder.name)).replace('"', "'").replace("\\", ""),
        "good": count.get("done", 0) == len(rows),
        "verdict": f"{len(rows)} runs: {status}",
        "says": [row[sentence] for row in concluded if row[sentence]] if sentence else [],
        "conclusions": _table(concluded, [key for key in COMPARED if concluded
                                          and key in concluded[0]]),
        "runs": _table(rows[:MOST_ROWS], _columns(rows)), "listed": min(len(rows), MOST_ROWS),
        "total": len(rows), "varied": _varied(info), "promise": PROMISE,
        "cautions": [caution.text for caution in cautions_for()]}


def study_lines(folder: Path) -> dict[str, list[tuple[str, str, dict[str, float]]]]:
    """For each key that was varied: (quantity, strategy, means of the runs by value), for pictures.

    Only runs with a result are used. Keys with more than ``MOST_VALUES`` values, as in a random
    sample, are left out.
    """
    rows = [row for _, row in read_table(folder / "runs.csv", ("strategy", "status"), MOST_RUNS)
            if row["status"] == "done"]
    names = [key for key in (rows[0] if rows else ()) if VARIED.match(key) or key == "case"]
    found = {}
    for key in names:
        # Numbers by value, then words.
        values = sorted({row[key] for row in rows}, key=_in_order)
        if 1 < len(values) <= MOST_VALUES:
            found[key] = [(label, name, points) for quantity, label in DRAWN
                          for name in dict.fromkeys(row["strategy"] for row in rows)
                          if (points := _means(rows, key, values, name, quantity))]
    return {key: lines for key, lines in found.items() if lines}


def _in_order(text: str) -> tuple[bool, float, str]:
    try:
        return False, float(text), text
    except ValueError:
        return True, 0.0, text


def _means(rows: Sequence[Row], key: str, values: Sequence[str], strategy: str,
           quantity: str) -> dict[str, float]:
    """Mean of a quantity at each value of a key, where runs have it."""
    held = {value: [float(row[quantity]) for row in rows
                    if (row[key], row["strategy"]) == (value, strategy)
                    and row.get(quantity, "").strip() and _number(row[quantity])]
            for value in values}
    return {value: fmean(numbers) for value, numbers in held.items() if numbers}


def _optional(path: Path) -> list[Row]:
    if not path.exists():
        return []
    try:
        return [row for _, row in read_table(path, (), MOST_RUNS)]
    except InputError as error:
        if "no rows" in error.what:
            return []
        raise


def _columns(rows: Sequence[Row]) -> list[str]:
    """Columns of inputs that differ between runs, then columns of results."""
    names = list(rows[0])
    inputs = [key for key in names if key in ALWAYS or VARIED.match(key)]
    inputs = [key for key in inputs if key in ("strategy", "status")
              or len({row[key] for row in rows}) > 1]
    return inputs + [key for key in NUMBERS if key in names]


def _table(rows: Sequence[Row], columns: Sequence[str]) -> dict[str, Any]:
    kinds = {key: "n" if all(_number(row[key]) for row in rows) else "" for key in columns}
    return {"head": [{"text": key.replace("_", " "), "kind": kinds[key]} for key in columns],
            "rows": [[{"text": _cell(row[key], kinds[key]), "kind": kinds[key]}
                      for key in columns] for row in rows]}


def _number(text: str) -> bool:
    try:
        # NaN is not equal to itself.
        return not text.strip() or float(text) == float(text)
    except ValueError:
        return False


def _cell(text: str, kind: str) -> str:
    if not text.strip():
        return "-"
    return f"{float(text):.4g}".replace("-", "\u2212") if kind else text


def _varied(info: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What was varied, in words."""
    words = [("cases", ", ".join(map(str, info.get("cases") or ())))]
    for one in info.get("vary") or ():
        values = one.get("values") or f"{one.get('start')} to {one.get('stop')}, " \
                                      f"{one.get('count')} values"
        words.append((str(one.get("key")), str(values).strip("[]")))
    for key in ("strategies", "replicates", "scatter", "stage", "seed"):
        if info.get(key):
            value = info[key]
            words.append((key, ", ".join(map(str, value)) if isinstance(value, list) else
                          ", ".join(f"{k} {v:g}" for k, v in value.items() if v)
                          if isinstance(value, dict) else str(value)))
    return words
