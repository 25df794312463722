"""How long simkit takes to start: words only, imports, kernels compiled or read back.

Run: python benchmarks/start_up.py [--repeats 5] [--json] [--store]

Every number is of a process of its own, by the clock (median) and by processor seconds:

- `simkit --version` and `--help`, which load neither numpy nor numba (aim: under 0.3 s), and
  `--help` of every verb, which loads what the verb works with;
- an empty Python process and one that imports numpy, scipy and numba, for comparison;
- the first operation of a new installation: a small panel is struck and pulled with an empty cache
  of compiled kernels (cold), then again with the cache it left (warm). What lies between is compile
  time; numba's own events say how much of it each kernel took, without the kernels it calls;
- peak memory of each process (largest of its own and its children).

The answer is right when the panel of the cold and of the warm process are the same to the last bit,
and `--version` says the version.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import statistics
import sys
import tempfile
from collections import defaultdict
from typing import Any

from common import ROOT, Child, arguments, child, finish, say

import simkit

AIM_S = 0.3
ELEMENTS = 16
VERBS = ("check", "run", "compare", "read", "show", "verify", "grades")
WORDS = {
    "python, empty": ["-c", "pass"],
    "import numpy, scipy.sparse, numba": ["-c", "import numpy, scipy.sparse, numba"],
    "import of the engine": ["-c", "import simkit.repair.session"],
    "simkit --version": ["-m", "simkit", "--version"],
    "simkit --help": ["-m", "simkit", "--help"],
    **{f"simkit {verb} --help": ["-m", "simkit", verb, "--help"] for verb in VERBS},
}


def first_pull(listing: bool) -> dict:
    """Strike and pull a small panel in this process; what was compiled for it."""
    from numba.core import event
    from one_pull import panel, pull
    from sizes import dent

    with event.install_recorder("numba:compile") as record:
        model = panel(ELEMENTS, "auto", 1)
        done = pull(model, dent(model))
    mark = hashlib.sha256(done.state.displacement.tobytes()).hexdigest()
    kernels = own_seconds(record.buffer) if listing else {}
    return {"mark": mark, "iterations": done.iterations, "kernels": kernels}


def own_seconds(events: list[tuple[float, Any]]) -> dict[str, list[float]]:
    """Seconds and compilations of every kernel without those that began inside its own."""
    open_ones: list[list[float]] = []  # start, seconds of inner ones
    found: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for when, what in events:
        if what.is_start:
            open_ones.append([when, 0.0])
            continue
        start, inner = open_ones.pop()
        whole = when - start
        if open_ones:
            open_ones[-1][1] += whole
        function = what.data["dispatcher"].py_func
        entry = found[f"{function.__module__}.{function.__qualname__}"]
        entry[0] += whole - inner
        entry[1] += 1
    return dict(sorted(found.items(), key=lambda item: -item[1][0]))


def times(words: list[str], repeats: int, env: dict[str, str] | None = None) -> dict[str, float]:
    """Medians of several processes; each must end well."""
    runs: list[Child] = []
    for _ in range(repeats):
        runs.append(child(words, env, ROOT))
        if runs[-1].code:
            raise SystemExit(f"python {' '.join(words)}: exit code {runs[-1].code}")
    return {"wall_s": statistics.median(run.wall_s for run in runs),
            "cpu_s": statistics.median(run.cpu_s for run in runs),
            "peak_MiB": max(run.peak_MiB for run in runs)}


def cold_and_warm() -> dict:
    """The first pull with an empty cache of kernels, and with the one it left."""
    with tempfile.TemporaryDirectory() as cache:
        env = {"NUMBA_CACHE_DIR": cache}
        runs = {name: child([__file__, "--first", name], env, ROOT) for name in ("cold", "warm")}
        listed = child([__file__, "--first", "warm"], env, ROOT)
    said = {name: run.json() for name, run in runs.items()}
    numbers = {name: {"wall_s": run.wall_s, "cpu_s": run.cpu_s, "peak_MiB": run.peak_MiB}
               for name, run in runs.items()}
    return {**numbers, "compile_cpu_s": runs["cold"].cpu_s - runs["warm"].cpu_s,
            "kernels": said["cold"]["kernels"], "iterations": said["warm"]["iterations"],
            "same": said["cold"]["mark"] == said["warm"]["mark"] == listed.json()["mark"]}


def table(rows: dict[str, dict], first: dict) -> str:
    """The result for people."""
    lines = [f"{'process':40s}{'wall s':>9s}{'cpu s':>9s}{'peak MiB':>10s}"]
    lines += [f"{name:40s}{row['wall_s']:9.2f}{row['cpu_s']:9.2f}{row['peak_MiB']:10.0f}"
              for name, row in rows.items()]
    lines += ["", f"compile time {first['compile_cpu_s']:.1f} s of the processor; seconds of "
              "each kernel without those it calls, and how often compiled:"]
    kernels = list(first["kernels"].items())
    lines += [f"  {own:6.2f}  {int(times)} x  {name}" for name, (own, times) in kernels[:20]]
    rest = kernels[20:]
    lines.append(f"  {sum(own for _, (own, _) in rest):6.2f}  {len(rest)} others")
    return "\n".join(lines)


def main() -> int:
    """Measure; 1 if the answer differs."""
    if sys.argv[1:2] == ["--first"]:
        print(json.dumps(first_pull(sys.argv[2] == "cold")))
        return 0
    parser = arguments(__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    options: argparse.Namespace = parser.parse_args()
    rows = {}
    for name, words in WORDS.items():
        rows[name] = times(words, options.repeats)
        say(f"{name}: {rows[name]['wall_s']:.2f} s")
    version = child(WORDS["simkit --version"], cwd=ROOT).out
    first = cold_and_warm()
    rows["first pull, kernels compiled"] = first["cold"]
    rows["first pull, kernels read back"] = first["warm"]
    seconds = rows["simkit --version"]["wall_s"]
    result = {"median_s": seconds, "iterations": first["iterations"],
              "shares": {"compile": first["compile_cpu_s"] / first["cold"]["cpu_s"],
                         "imports": rows["import of the engine"]["cpu_s"] / first["cold"]["cpu_s"]},
              "processes": rows, "compile_cpu_s": first["compile_cpu_s"],
              "kernels": first["kernels"], "aims": {"version": seconds < AIM_S},
              "answer_ok": first["same"] and simkit.__version__ in version}
    text = (f"{table(rows, first)}\nsimkit --version {seconds:.2f} s (aim: under {AIM_S} s); "
            f"answer ok: {result['answer_ok']}")
    return finish("start_up", "start", result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
