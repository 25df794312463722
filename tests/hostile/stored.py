"""Stored runs and comparisons of our own invention, written as simkit writes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from simkit.files import write_arrays, write_json, write_table
from simkit.folders import mark, release

COLUMNS = ("step", "operation", "tool", "x_mm", "y_mm", "force_N", "outcome", "max_low_mm",
           "max_high_mm", "crown_mm")


def write_stored(folder: Path, compared: bool, seed: int = 0) -> None:
    """A run of three steps, or a comparison of two such runs, with its list of digests."""
    folder.mkdir(parents=True)
    mark(folder)
    if compared:
        for k, name in enumerate(("crown-first", "worst-spot-first")):
            _run(folder / "runs" / name, name, seed + k)
        write_table(folder / "compare.csv", ("strategy", "steps", "max_low_mm", "max_high_mm"),
                    [{"strategy": name, "steps": "2", "max_low_mm": "-0.1", "max_high_mm": "0.1"}
                     for name in ("crown-first", "worst-spot-first")])
        write_json(folder / "compare.json", {"format": 1, "kind": "comparison",
                                             "title": "Invented", "goal": {"tolerance_mm": 0.1}})
    else:
        _run(folder, "crown-first", seed)
    release()


def _run(folder: Path, strategy: str, seed: int) -> None:
    x, y = np.linspace(-60.0, 60.0, 31), np.linspace(-40.0, 40.0, 21)
    xx, yy = np.meshgrid(x, y)
    rows = []
    for step in range(3):
        d = -(2.0 - 0.8 * step + 0.1 * seed) * np.exp(-(xx**2 + yy**2) / 400.0)
        write_arrays(folder / "fields" / f"{step:04d}.npz", {"x_mm": x, "y_mm": y, "d_mm": d})
        place = {} if step == 0 else {"x_mm": "3", "y_mm": "-2", "force_N": "400"}
        rows.append(dict.fromkeys(COLUMNS, "") | {
            "step": str(step), "operation": "dent" if step == 0 else "pull", "tool": "round-25",
            "outcome": "reached", "max_low_mm": repr(float(d.min())), "max_high_mm": "0.0"} | place)
    write_table(folder / "steps.csv", COLUMNS, rows)
    write_table(folder / "steps" / "0001_path.csv", ("travel_mm", "force_N"),
                [{"travel_mm": str(t), "force_N": str(100 * t)} for t in range(5)])
    write_json(folder / "run.json", {
        "format": 1, "kind": "run", "title": "Invented $\\alpha$ \x1b[31m", "strategy": strategy,
        "outcome": "flat", "goal": {"tolerance_mm": 0.1}})
