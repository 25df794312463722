"""A study from its file to its tables: plan the runs, carry out missing ones, join and compare."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from ruamel.yaml import YAML

from simkit import __version__
from simkit.errors import InputError
from simkit.files import Damaged, load_json, read_back, write_json, write_table
from simkit.folders import announce, digests_of, home_of
from simkit.record.folder import mine
from simkit.study.conclusions import all_pairs, sensitivities
from simkit.study.jobs import FORMAT_VERSION, make_job, read_result, run_digest
from simkit.study.matrix import RunPlan, plan_runs, words
from simkit.study.run import SUMMARY
from simkit.study.runner import carry_out_all
from simkit.study.studyfile import Study
from simkit.study.tables import HEAD, run_row, step_rows, write_both

Progress = Callable[[str], None]
PAIR_KEYS = ("case", "replicate")
ROUGH_S, ROUGH_MB = 40.0, 6.0
"""Time and disk space of a run, before one has been measured: case first-dent, one strategy."""
MOST_COMPARED = 1000
"""Number of runs up to which each is looked up among the finished ones before the study starts: the
name of a run takes about 5 ms."""


def open_study(folder: Path, study: Study) -> str:
    """Make or open the folder of a study; returns a sentence if the study was changed.

    Raises
    ------
    InputError : the folder holds something else.
    """
    if home_of(folder) is not None:
        raise InputError("the folder lies inside a run or comparison",
                         "a folder outside it for --out", str(folder))
    mine(folder)
    mark = folder / "study.json"
    what = {"format": FORMAT_VERSION, "kind": "study", "simkit": __version__,
            "study": study.model_dump(mode="json")}
    if mark.exists():
        try:
            held = load_json(read_back(mark))
            if held.get("kind") != "study":
                raise ValueError
        except (OSError, ValueError, AttributeError, Damaged):
            raise InputError("study.json is damaged", "a new folder for --out", str(mark)) from None
        if held.get("format") != FORMAT_VERSION:
            raise InputError(f"study.json has format {held.get('format')!r}", f"{FORMAT_VERSION}",
                             str(mark))
        if held == json.loads(json.dumps(what)):
            return ""
        write_json(mark, what)
        return "The study has changed since this folder was made; runs that are the same are kept."
    if digests_of(folder):
        raise InputError("this folder holds something else", "an empty or new folder", str(folder))
    write_json(mark, what)
    return ""


def run_study(study: Study, plans: list[RunPlan], folder: Path, workers: int,
              scheduler: str | None, progress: Progress) -> list[Path]:
    """Carry out the runs without a result and write the tables; returns the files."""
    names = [run_digest(plan, study) for plan in plans]
    first: dict[str, RunPlan] = {}
    for name, plan in zip(names, plans, strict=True):
        if name in first:
            progress(f"note: {label(plan)} is the same run as {label(first[name])}: carried out "
                     "once")
        first.setdefault(name, plan)
    missing, starts = {}, set()
    for name, plan in first.items():
        place = folder / "runs" / name
        starts.add(make_job(plan, study, place))
        if read_result(place) is None:
            missing[name] = plan
    for start in sorted(starts):  # here: the process of a run may not write in this folder
        announce(folder / "starts" / start)
    progress(f"{len(first)} runs, {len(first) - len(missing)} of them finished before")
    statuses = carry_out_all(
        [folder / "runs" / name for name in missing], folder / "starts", workers, scheduler,
        progress, [label(plan) for plan in missing.values()]) if missing else {}
    return join(study, plans, names, folder, statuses)


def label(plan: RunPlan) -> str:
    """A short name of a run for messages."""
    parts = [plan.name, plan.strategy, words(plan.varied)]
    return " ".join(part for part in parts if part) + (
        f" #{plan.replicate}" if plan.replicate else "")


def join(study: Study, plans: list[RunPlan], names: list[str], folder: Path,
         statuses: Mapping[str, str]) -> list[Path]:
    """Write runs, steps, conclusions and sensitivities from the records in the run folders."""
    rows: list[dict[str, str]] = []
    steps: list[dict[str, str]] = []
    seen: set[str] = set()
    for name, plan in zip(names, plans, strict=True):
        place = folder / "runs" / name
        job = {"case": plan.name, "strategy": plan.strategy, "replicate": plan.replicate,
               "varied": plan.varied}
        rows.append(run_row(place, job, _case_data(place), statuses.get(name, "")))
        if name not in seen:
            steps += step_rows(place / "run", name)
        seen.add(name)
    files = write_both(folder, "runs", rows, (*HEAD, *_varied(study), *SUMMARY))
    files += write_both(folder, "steps", steps, ("run",))
    files += _conclude(study, rows, folder)
    return files


def _varied(study: Study) -> list[str]:
    keys = [vary.key for vary in study.vary]
    return keys + ([between.key for between in study.sample.keys] if study.sample else [])


def _case_data(place: Path) -> dict[str, Any]:
    """The case as the run used it; file names are not resolved."""
    text = read_back(place / "case" / "case.yaml").decode("utf-8")
    return YAML(typ="safe", pure=True).load(text)


def _conclude(study: Study, rows: list[dict[str, str]], folder: Path) -> list[Path]:
    keys = (*PAIR_KEYS, *_varied(study))
    found = [pair for quantity in (f"steps_{study.stage}", f"minutes_{study.stage}",
                                   "improvement_pct")
             if any(quantity in row for row in rows)
             for pair in all_pairs(rows, quantity, keys)]
    table = [{key: f"{value:.6g}" if isinstance(value, float) else str(value)
              for key, value in asdict(pair).items()} | {"sentence": pair.sentence()}
             for pair in found]
    files = []
    if table:
        write_table(folder / "conclusions.csv", tuple(table[0]), table)
        files.append(folder / "conclusions.csv")
    return files + _sensitivities(study, rows, folder)


def _sensitivities(study: Study, rows: list[dict[str, str]], folder: Path) -> list[Path]:
    """Sobol' indices by strategy and quantity, if the sample was drawn for them."""
    sample = study.sample
    if sample is None or sample.method != "sobol-indices" or study.vary or study.replicates > 1:
        return []
    keys = [between.key for between in sample.keys]
    table = []
    groups = dict.fromkeys((row["case"], row["strategy"]) for row in rows)
    for case, strategy in groups:
        own = [row for row in rows if (row["case"], row["strategy"]) == (case, strategy)]
        for quantity in (f"steps_{study.stage}", "improvement_pct", "stretch_mm2"):
            cells = [row.get(quantity, "") for row in own]
            if len(own) != sample.count * (len(keys) + 2) or "" in cells:
                continue
            for key, once, total in sensitivities(np.array(cells, float), keys, sample.count):
                table.append({"case": case, "strategy": strategy, "quantity": quantity,
                              "key": key, "first_order": f"{once:.4g}", "total": f"{total:.4g}"})
    if not table:
        return []
    write_table(folder / "sensitivities.csv", tuple(table[0]), table)
    return [folder / "sensitivities.csv"]


def foretell(study: Study, plans: list[RunPlan], folder: Path, workers: int) -> list[str]:
    """Estimated number of runs, time and disk space in lines, from finished runs if there are any.
    """
    there = _finished(folder)
    count, done = f"{len(plans)}", list(there.values())
    left = len(plans)
    if len(plans) <= MOST_COMPARED:
        names = {run_digest(plan, study) for plan in plans}
        done = [result for name, result in there.items() if name in names]
        left = len(names) - len(done)
        count += f", {len(names)} of them different, {left} to carry out"
    elif there:
        count += f"; {len(there)} are finished in this folder, of this study or of another"
    times = [result["cpu_s"] for result in done if "cpu_s" in result]
    each = float(np.median(times)) if times else ROUGH_S
    source = (f"median of {len(times)} finished runs" if times
              else "a rough estimate, since no run has finished yet")
    return [f"runs      {count}",
            f"time      about {left * each / workers / 60.0:.0f} min on {workers} processes "
            f"({each:.0f} s a run: {source})",
            f"disk      about {left * ROUGH_MB:.0f} MB"]


def _finished(folder: Path) -> dict[str, dict[str, Any]]:
    """Results of a study's folder by the names of their runs."""
    runs = folder / "runs"
    names = sorted(entry.name for entry in runs.iterdir()) if runs.is_dir() else []
    results = {name: read_result(runs / name) for name in names}
    return {name: result for name, result in results.items() if result is not None}


__all__ = ["foretell", "open_study", "plan_runs", "run_study"]
