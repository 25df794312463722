"""Kills at random moments: python benchmarks/kills.py [--times 20] [--seed 0]

Runs and comparisons of a small case are killed (SIGKILL) at random moments, some by killing a
worker of the comparison; then the command is given again, until it ends by itself. Every table must
be byte-equal to that of a run nobody disturbed, no file may be left that it does not have, and no
worker may outlive its parent. Exit code 1 where one of these is not so.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from test_processes import (  # noqa: E402
    CASE,
    COMPARE,
    ENDED,
    RUN,
    SIMKIT,
    children,
    names,
    simkit,
    start,
    tables,
    until,
)


def disturbed(folder: Path, argv: tuple[str, ...], rng: random.Random, longest: float) -> str:
    """Kill once at a random moment and go on; what was wrong afterwards, empty for nothing."""
    before = children()
    process = start(folder, *argv)
    time.sleep(rng.uniform(0.0, longest))
    workers = children() - before
    if workers and rng.random() < 0.4:
        os.kill(rng.choice(sorted(workers)), signal.SIGKILL)
        process.wait(120)
    else:
        process.kill()
        process.wait(60)
    if not until(lambda: not (children() - before), 20.0):
        return "a worker outlived its parent"
    done = simkit(folder, *argv)
    return "" if done.returncode in ENDED else f"exit code {done.returncode}: {done.stderr[:200]}"


def main() -> int:
    """Disturb as often as wanted and say what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    rng, wrong = random.Random(options.seed), 0
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        for argv in (RUN, COMPARE):
            whole = root / f"whole-{argv[0]}"
            (whole / "case").mkdir(parents=True)
            (whole / "case" / "case.yaml").write_text(CASE)
            begin = time.monotonic()
            subprocess.run([*SIMKIT, *argv], cwd=whole, stdout=subprocess.DEVNULL, check=False)
            longest = time.monotonic() - begin
            for number in range(options.times):
                here = root / f"{argv[0]}-{number}"
                (here / "case").mkdir(parents=True)
                (here / "case" / "case.yaml").write_text(CASE)
                fault = disturbed(here, argv, rng, longest)
                if not fault and tables(here / "out") != tables(whole / "out"):
                    fault = "tables differ"
                if not fault and names(here / "out") != names(whole / "out"):
                    fault = f"left over: {names(here / 'out') ^ names(whole / 'out')}"
                wrong += bool(fault)
                print(f"{argv[0]} {number}: {fault or 'same tables, nothing left'}", flush=True)
    print(f"{2 * options.times} kills, {wrong} with something wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
