"""The process that carries out one run of a study: `python -m simkit.study.run_process`.

A process a run: what one run breaks or leaks, the next does not meet, and a run that is killed
takes nothing with it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

from simkit.errors import InputError
from simkit.study.jobs import carry_out, read_result

MOST_TRIES = 2
"""A run whose process was killed is tried once more."""


def run_in_process(folder: str, starts: str) -> str:
    """Carry out a run in a process of its own; its status in a word or two.

    Raises
    ------
    OSError : the disk is full or the folder is gone; the study stops.
    """
    for _ in range(MOST_TRIES):
        done = subprocess.run(
            [sys.executable, "-P", "-m", "simkit.study.run_process", folder, starts,
             str(os.getpid())],
            capture_output=True, text=True, env=_environment(), check=False)
        result = read_result(Path(folder))
        if result is not None:
            return str(result["status"])
        if done.returncode == TAKEN:
            return done.stderr.strip().removeprefix("error: ") or "the folder is taken"
        if done.returncode == EXIT_CANNOT_WRITE:
            raise OSError(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else
                          "cannot write results")
    return "killed" if done.returncode < 0 else "no result"


def _environment() -> dict[str, str]:
    """The environment with this installation of simkit first, and one thread for BLAS."""
    root = str(Path(__file__).resolve().parents[2])
    paths = [root, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(paths)}


TAKEN = 75
"""Exit code for a folder that another process has, or that was altered (EX_TEMPFAIL)."""
EXIT_CANNOT_WRITE = 74
"""Exit code for results that cannot be written (EX_IOERR of sysexits.h)."""


def _leave_with(parent: int) -> None:
    """End this process when the one that started it is gone."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)


def main() -> int:
    """Carry out the run named on the command line."""
    folder, starts, parent = sys.argv[1:4]
    threading.Thread(target=_leave_with, args=(int(parent),), daemon=True).start()
    try:
        carry_out(Path(folder), Path(starts))
    except InputError as error:
        print(error, file=sys.stderr)
        return TAKEN
    except OSError as error:
        print(f"{error.strerror or error}: {error.filename or folder}", file=sys.stderr)
        return EXIT_CANNOT_WRITE
    return 0


if __name__ == "__main__":
    sys.exit(main())
