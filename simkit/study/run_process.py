"""The process that carries out one run of a study: `python -m simkit.study.run_process`.

Each run has a process of its own, so that a crash, a memory leak or a kill affects this run only.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from simkit.errors import InputError
from simkit.study.jobs import carry_out, read_result
from simkit.underway import Listener, Word, heard, heard_from, sender

MOST_TRIES = 2
"""Attempts at a run whose process is killed."""


def run_in_process(folder: str, starts: str, told: Listener | None = None,
                   label: str = "") -> str:
    """Carry out a run in a process of its own and return its status.

    told : receives the progress of the run, with ``label`` as the name of its line.

    Raises
    ------
    OSError : the disk is full or the folder was removed; the study stops.
    """
    for _ in range(MOST_TRIES):
        code, said = _carried_out([folder, starts, str(os.getpid())], told, label)
        result = read_result(Path(folder))
        if result is not None:
            return str(result["status"])
        if code == TAKEN:
            return said.removeprefix("error: ") or "the folder is taken"
        if code == EXIT_CANNOT_WRITE:
            raise OSError(said.splitlines()[-1] if said else "cannot write results")
    return "killed" if code < 0 else "no result"


def _carried_out(words: list[str], told: Listener | None, label: str) -> tuple[int, str]:
    """Exit code and error output of the process; its progress messages are passed on."""
    with (tempfile.TemporaryFile() as errors, subprocess.Popen(
            [sys.executable, "-P", "-m", "simkit.study.run_process", *words],
            stdout=subprocess.DEVNULL if told is None else subprocess.PIPE, stderr=errors,
            env=_environment()) as process):
        if told is not None and process.stdout is not None:
            told(Word("begins", label))
            for line in process.stdout:
                word = heard_from(line)
                if word is not None:
                    told(replace(word, line=label))
            told(Word(line=label, over=True))
        code = process.wait()
        errors.seek(0)
        return code, errors.read().decode(errors="replace").strip()


def _environment() -> dict[str, str]:
    """The environment with this installation of simkit first, and one thread for BLAS."""
    root = str(Path(__file__).resolve().parents[2])
    paths = [root, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(paths)}


TAKEN = 75
"""Exit code for a folder in use by another process, or changed (EX_TEMPFAIL of sysexits.h)."""
EXIT_CANNOT_WRITE = 74
"""Exit code for results that cannot be written (EX_IOERR of sysexits.h)."""


def _leave_with(parent: int) -> None:
    """End this process when the one that started it has ended (its parent id changes then)."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)


def _put(word: bytes) -> None:
    sys.stdout.buffer.write(word + b"\n")
    sys.stdout.buffer.flush()


def main() -> int:
    """Carry out the run named on the command line."""
    folder, starts, parent = sys.argv[1:4]
    threading.Thread(target=_leave_with, args=(int(parent),), daemon=True).start()
    try:
        with heard(sender(_put)):
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
