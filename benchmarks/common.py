"""What the benchmarks share: stopwatches, child processes with their peak memory, results kept.

Every script prints a table, or with `--json` one JSON object that holds at least `median_s`
(seconds by the clock), `iterations` (Newton's), `shares` (of the time) and `answer_ok`; `--store`
keeps that object in results/NAME.json with what it was measured on. Processor seconds (`cpu_s`)
stand beside the clock's: on a busy machine only they can be compared.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import summary

from simkit.mechanics.contact.engagement import GluedTab, TipContact
from simkit.mechanics.model import Model
from simkit.mechanics.stepping import process

HERE = Path(__file__).parent
ROOT = HERE.parent
RESULTS = HERE / "results"
PARTS = ("assembly", "tangent", "tool", "factorisation", "solve")
"""Parts of an operation's time that are told apart; the rest is `other`."""


class Stopwatch:
    """Seconds and calls by name, of calls that do not nest."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.calls: dict[str, int] = defaultdict(int)
        self.iterations = 0

    def counting(self, newton: Callable[..., Any]) -> Callable[..., Any]:
        """Newton's method, its iterations added up."""
        def counted(*args: Any, **more: Any) -> Any:
            result = newton(*args, **more)
            self.iterations += result.iterations
            return result

        return counted

    def around(self, name: str, job: Callable[..., Any]) -> Callable[..., Any]:
        """The same call, timed."""
        def timed(*args: Any, **more: Any) -> Any:
            start = time.perf_counter()
            try:
                return job(*args, **more)
            finally:
                self.seconds[name] += time.perf_counter() - start
                self.calls[name] += 1

        return timed

    def shares(self, total: float) -> dict[str, float]:
        """Shares of a time by part."""
        parts = {name: self.seconds[name] / total for name in PARTS}
        return {**parts, "other": 1.0 - sum(parts.values())}


@contextmanager
def watched(model: Model) -> Iterator[Stopwatch]:
    """Time forces, tangents, tools, factorisation and solution of all models while inside, and
    count Newton's iterations."""
    watch = Stopwatch()
    solver = type(model.factorisation())
    parts: list[tuple[type, str, str]] = [
        (Model, "internal", "assembly"), (Model, "tangent", "tangent"),
        (GluedTab, "add", "tool"), (TipContact, "add", "tool"),
        (solver, "factor", "factorisation"), (solver, "solve", "solve"),
        (solver, "solve_bordered", "solve"), (solver, "prepare_border", "solve")]
    kept = [(owner, method, name, getattr(owner, method)) for owner, method, name in parts
            if hasattr(owner, method)]  # the version at the start of the issue has no tangent()
    for owner, method, name, original in kept:
        setattr(owner, method, watch.around(name, original))
    newton = process.newton
    process.newton = watch.counting(newton)
    try:
        yield watch
    finally:
        process.newton = newton
        for owner, method, _, original in kept:
            setattr(owner, method, original)


def timed_runs(job: Callable[[], Any], model: Model, repeats: int, warm: bool = True) -> dict:
    """Median seconds of a job (after one not timed), where they went, and what it gave: `done`
    the last time, `all_done` every time.

    The shares and calls are those of the run with the median time.
    """
    first = job() if warm else None
    runs = []
    for _ in range(repeats):
        with watched(model) as watch:
            clock, used = time.perf_counter(), time.process_time()
            done = job()
            seconds, cpu = time.perf_counter() - clock, time.process_time() - used
        runs.append((seconds, cpu, watch, done))
    seconds, _, watch, _ = sorted(runs, key=lambda run: run[0])[repeats // 2]
    return {"median_s": statistics.median(run[0] for run in runs),
            "cpu_s": statistics.median(run[1] for run in runs),
            "seconds": [run[0] for run in runs], "iterations": watch.iterations,
            "shares": watch.shares(seconds), "calls": dict(watch.calls), "done": runs[-1][3],
            "all_done": [run[3] for run in runs] + ([first] if warm else [])}


@dataclass(frozen=True)
class Child:
    """An ended child process: output, exit code, seconds by clock and processor, peak memory."""

    out: str
    code: int
    wall_s: float
    cpu_s: float
    peak_MiB: float

    def json(self) -> Any:
        """The JSON object on the last line of its output."""
        return json.loads(self.out.strip().splitlines()[-1])


def child(words: Sequence[str], env: dict[str, str] | None = None, cwd: Path | None = None,
          quiet: bool = True, heard: Callable[[str], None] = lambda line: None) -> Child:
    """Run a Python process to its end; what it used includes the children it waited for, its peak
    memory only the largest single process. Every line of output is `heard` when it comes.

    Raises RuntimeError where it ends by a signal.
    """
    with tempfile.TemporaryDirectory() as folder:
        used, lines = Path(folder) / "used.json", []
        with subprocess.Popen(
                [sys.executable, "-I", "-S", str(HERE / "launch.py"), str(used), sys.executable,
                 *words], stdout=subprocess.PIPE, text=True, cwd=cwd,
                stderr=subprocess.DEVNULL if quiet else None,
                env={**os.environ, **(env or {})}) as process:
            for line in process.stdout or ():
                lines.append(line)
                heard(line)
        numbers = json.loads(used.read_text())
    if numbers["code"] < 0:
        raise RuntimeError(f"{' '.join(words)} ended by signal {-numbers['code']}")
    return Child(out="".join(lines), **numbers)


def machine() -> dict[str, Any]:
    """What it was measured on: processor, cores that may be used, versions, BLAS, busyness."""
    name = platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        name = next(line.split(":")[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    versions = {p: importlib.metadata.version(p) for p in ("numpy", "scipy", "numba")}
    return {"processor": name, "cores": len(os.sched_getaffinity(0)),
            "python": platform.python_version(), **versions,
            "blas_kernels": os.environ.get("OPENBLAS_CORETYPE", "as detected"),
            "load_average": round(os.getloadavg()[0], 2), "commit": commit()}


def commit() -> str:
    """Short name of the commit, with + where the package differs from it."""
    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True,
                              check=False).stdout.strip()
    changed = git("status", "-s", "--", "simkit")
    return git("rev-parse", "--short=8", "HEAD") + ("+" if changed else "")


def arguments(doc: str) -> argparse.ArgumentParser:
    """A parser with the options that every benchmark has."""
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--store", action="store_true", help="keep the result in results/")
    return parser


def keep(name: str, key: str, result: dict) -> None:
    """Keep a result as entry `key` of results/NAME.json, whole or not at all; renew the pages."""
    file = RESULTS / f"{name}.json"
    held = json.loads(file.read_text()) if file.exists() else {}
    held[key] = result
    RESULTS.mkdir(exist_ok=True)
    fresh = file.with_suffix(".new")
    fresh.write_text(json.dumps(held, indent=1, sort_keys=True) + "\n")
    fresh.replace(file)
    summary.write()


def finish(name: str, key: str, result: dict, table: str, options: argparse.Namespace) -> int:
    """Print and keep a result; 1 if its answer is wrong."""
    result = {**result, "measured_on": machine()}
    if options.store:
        keep(name, key, result)
    print(json.dumps(result) if options.json else table)
    return 1 if result["answer_ok"] is False else 0


def shares_line(result: dict) -> str:
    """Where the time went, for people."""
    return "  ".join(f"{name} {100 * share:.1f} %" for name, share in result["shares"].items())


def say(text: str) -> None:
    """A line of progress beside the output."""
    print(text, file=sys.stderr, flush=True)
