"""One run of a study as a folder with all its inputs, so that any process can carry it out.

A run folder holds job.json (case, strategy, varied keys), case/ (the case file and its data, as
used), run/ (the record of the repair) and, after its end, result.json. Its name is the digest of
its inputs.
"""

from __future__ import annotations

import hashlib
import json
import math
import time
import traceback
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simkit import __version__
from simkit.case import Case, load_case, resolved, with_keys
from simkit.case.load import case_text
from simkit.case.reading import dotted
from simkit.errors import InputError, InputErrors
from simkit.files import Damaged, load_json, read_back, write_atomic, write_json
from simkit.folders import digests_of, release_below
from simkit.record.folder import mine
from simkit.repair.levels import steps_taken
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.spoken import read_operation
from simkit.strategy import Strategy, find_strategy
from simkit.study.matrix import RunPlan
from simkit.study.run import STUCK, UNBALANCED, prepare, run_strategy
from simkit.study.scatter import noisy_table, scattered
from simkit.study.studyfile import Study

FORMAT_VERSION = 1
AS_TOLD = "all operations done"
NOT_MATCHED = "not matched"


def run_digest(plan: RunPlan, study: Study) -> str:
    """Name of the run's folder: the digest of everything that its result depends on."""
    case = scattered(plan.case, plan.scatter, study.seed, plan.replicate)
    data = resolved(case)
    data.pop("strategies", None)
    what: dict[str, Any] = {"simkit": __version__, "case": data, "strategy": plan.strategy,
            "data": {dotted(key): hashlib.sha256(file.read_bytes()).hexdigest()
                     for key, file in case.data_files().items()}}
    if plan.program:
        what["program"] = list(plan.program)
    if plan.scatter.noise_mm > 0.0:
        what["noise"] = [plan.scatter.noise_mm, study.seed, plan.replicate]
    text = json.dumps(what, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:20]


def make_job(plan: RunPlan, study: Study, folder: Path) -> str:
    """Write the inputs of a run into its folder, marked as simkit's; returns the digest of its
    start.

    Inputs that exist and are unchanged are kept.
    """
    mine(folder)
    try:
        return _start_of(folder) or _write_job(plan, study, folder)
    finally:
        release_below(folder)


def _start_of(folder: Path) -> str | None:
    """Digest of the start of a run; None if its inputs are incomplete or were changed."""
    try:
        job = load_json(read_back(folder / "job.json"))
        for path in digests_of(folder) or {}:
            if path.startswith("case/"):
                read_back(folder / path)
        return str(job["start"])
    except (OSError, Damaged, KeyError, TypeError):
        return None


def _write_job(plan: RunPlan, study: Study, folder: Path) -> str:
    case = scattered(plan.case, plan.scatter, study.seed, plan.replicate)
    inside = folder / "case"
    names: dict[str, Any] = {}
    for path, file in case.data_files().items():
        name = "-".join(map(str, path)) + file.suffix
        if plan.scatter.noise_mm > 0.0 and path[0] == "dent" and file.suffix == ".csv":
            text = noisy_table(file, plan.scatter.noise_mm, study.seed, plan.replicate)
            write_atomic(inside / name, text.encode())
        else:
            write_atomic(inside / name, file.read_bytes())
        names[dotted(path)] = (inside / name).resolve().as_posix()
    write_atomic(inside / "case.yaml", case_text(with_keys(case, names) if names else case
                                                 ).encode())
    start = _start_digest(inside, names.values())
    write_json(folder / "job.json", {
        "format": FORMAT_VERSION, "case": plan.name, "strategy": plan.strategy,
        "replicate": plan.replicate, "varied": plan.varied, "draw": plan.draw,
        "program": list(plan.program),
        "start": start})
    return start


STARTS_ON = ("panel", "mesh", "dent", "history", "goal", "seed")
"""Blocks of the case on which the reconstruction depends; kit and limits do not change it."""


def _start_digest(case_folder: Path, files: Iterable[str]) -> str:
    """Digest of the inputs of the reconstruction; runs of one dent share it."""
    data = resolved(load_case(case_folder / "case.yaml", None))
    text = json.dumps({key: data.get(key) for key in STARTS_ON}, sort_keys=True)
    prints = hashlib.sha256((__version__ + text).encode())
    for file in sorted(files):
        prints.update(Path(file).read_bytes())
    return prints.hexdigest()[:20]


def read_result(folder: Path) -> dict[str, Any] | None:
    """Result of a run; None if there is none or it cannot be read."""
    try:
        result = load_json(read_back(folder / "result.json"))
    except (OSError, Damaged):
        return None
    return result if isinstance(result, dict) and result.get("format") == FORMAT_VERSION else None


def carry_out(folder: Path, starts: Path) -> dict[str, Any]:
    """Carry a run out, or continue it, and write result.json; a failed run has a result, too.

    Raises
    ------
    InputError : another process works in the folder, or its inputs were changed.
    """
    mine(folder)
    try:
        return _carry_out(folder, starts)
    finally:
        release_below(folder)


def _carry_out(folder: Path, starts: Path) -> dict[str, Any]:
    done = read_result(folder)
    if done is not None:
        return done
    begin = time.process_time()
    if _start_of(folder) is None:
        raise InputError("the inputs of this run were changed or are incomplete",
                         "the study started again, which writes them", str(folder))
    job = load_json(read_back(folder / "job.json"))
    result: dict[str, Any] = {"format": FORMAT_VERSION, "status": "done", "reason": ""}
    try:
        case = load_case(folder / "case" / "case.yaml", None)
        result["row"], notes = _repair(case, job, folder, starts)
        result["matched"], result["rms_mm"] = notes["matched"], notes["rms_mm"]
        if result["row"]["outcome"] == UNBALANCED:
            result["status"] = "not converged"
        elif not notes["matched"]:
            result["status"] = NOT_MATCHED
    except InputErrors as errors:
        result |= {"status": "bad input", "reason": str(errors.errors[0])}
    except InputError as error:
        result |= {"status": "bad input", "reason": str(error)}
    except MemoryError:
        result |= {"status": "out of memory", "reason": "a coarser mesh or more memory"}
    except OSError:  # a full disk or a lost folder concerns the whole study, not one run
        raise
    except Exception as error:
        write_atomic(folder / "error.txt", traceback.format_exc().encode())
        result |= {"status": "internal error",
                   "reason": f"{type(error).__name__}: {error}; see error.txt"}
    result["cpu_s"] = round(time.process_time() - begin, 2)
    write_json(folder / "result.json", result)
    return result


def _repair(case: Case, job: dict[str, Any], folder: Path,
            starts: Path) -> tuple[dict[str, str], dict[str, Any]]:
    start_folder = starts / job["start"]
    with _alone(start_folder):
        start = prepare(case, start_folder, 1, _quiet, bulk=True)
    row = run_strategy(start, _strategy(job, case), folder / "run", _quiet)
    if job.get("program") and row["outcome"] == STUCK:
        row["outcome"] = AS_TOLD
    return row, dict(start.notes)


@dataclass(frozen=True)
class FixedList:
    """A strategy that carries out a fixed list of operations, whatever their results."""

    name: str
    operations: tuple[Operation, ...]

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        done = steps_taken(session)
        return self.operations[done] if done < len(self.operations) else None


def _strategy(job: dict[str, Any], case: Case) -> Strategy:
    if not job.get("program"):
        return find_strategy(job["strategy"], case)
    return FixedList(job["strategy"], tuple(read_operation(text) for text in job["program"]))


def _quiet(text: str) -> None:
    """Progress that is not shown."""


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One process at a time: the runs of one dent share its reconstruction, and one computes it."""
    mine(folder, patience_s=math.inf)
    try:
        yield
    finally:
        release_below(folder)
