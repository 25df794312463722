"""Run CalculiX on a deck and time it, if it is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from simkit.verification.peer.results import Block, Counts, read_dat, read_sta

PROGRAM = "ccx"
MISSING = ("CalculiX is not installed (no program 'ccx' on the path); on Debian: "
           "apt-get install calculix-ccx")


def installed() -> bool:
    """Whether CalculiX can be run."""
    return shutil.which(PROGRAM) is not None


def version() -> str:
    """Version that CalculiX reports, such as 'Version 2.20'; empty if it is not installed."""
    if not installed():
        return ""
    said = subprocess.run([PROGRAM, "-v"], capture_output=True, text=True, check=False).stdout
    return said.strip().removeprefix("This is ").strip()


@dataclass(frozen=True)
class PeerRun:
    """A run of CalculiX: whether it finished, wall and processor time of the whole program, tables,
    counts, and the last lines of its output."""

    finished: bool
    wall_s: float
    cpu_s: float
    blocks: list[Block]
    counts: Counts
    said: str


def run_deck(text: str, folder: Path, name: str = "job", threads: int = 1,
             limit_s: float | None = None) -> PeerRun:
    """Write the deck into the folder, run it there, and read the results.

    A run longer than ``limit_s`` is stopped and counts as not finished.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.inp").write_text(text)
    surroundings = os.environ | {"OMP_NUM_THREADS": str(threads), "OPENBLAS_NUM_THREADS": "1"}
    start, before = time.perf_counter(), os.times()
    with open(folder / f"{name}.log", "w") as log:
        try:
            code = subprocess.run([PROGRAM, "-i", name], cwd=folder, env=surroundings, stdout=log,
                                  stderr=subprocess.STDOUT, timeout=limit_s, check=False).returncode
        except subprocess.TimeoutExpired:
            code = -1
    wall, after = time.perf_counter() - start, os.times()
    # Times of finished child processes: CalculiX only, not this process.
    cpu = (after.children_user - before.children_user
           + after.children_system - before.children_system)
    said = (folder / f"{name}.log").read_text(errors="replace")
    # The exit code alone is not sufficient; errors are also searched in the output.
    finished = code == 0 and "Job finished" in said and "*ERROR" not in said
    dat, sta = folder / f"{name}.dat", folder / f"{name}.sta"
    return PeerRun(finished, wall, cpu, read_dat(dat) if dat.exists() else [],
                   read_sta(sta) if sta.exists() else Counts(0, 0, 0, 0.0),
                   "\n".join(said.strip().splitlines()[-8:]))
