"""Carrying out the runs of a study, on this machine or on a Dask cluster."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from simkit.errors import InputError, WorkerLost
from simkit.study.run_process import run_in_process
from simkit.underway import Word, counted, listening, tell
from simkit.words import duration

Progress = Callable[[str], None]
LOOK_EVERY_S = 0.3
"""Interval at which progress messages of running runs are read."""
PATIENCE_S = 20
"""Longest time for a scheduler to answer."""


def carry_out_all(folders: list[Path], starts: Path, workers: int, scheduler: str | None,
                  progress: Progress, labels: list[str]) -> dict[str, str]:
    """Carry out runs that have no result yet; returns the status by folder name.

    Results are exchanged as files. If a process, worker or scheduler dies, only the runs in
    progress are interrupted, and they continue later from their last complete step.

    Raises
    ------
    InputError : the scheduler cannot be reached, or results cannot be written.
    WorkerLost : the connection to the scheduler was lost.
    """
    begin = time.monotonic()
    statuses: dict[str, str] = {}
    source = (_by_cluster(folders, starts, scheduler) if scheduler
              else _by_processes(folders, starts, workers, labels))
    counted(0, len(folders), "runs")
    for index, status in source:
        statuses[folders[index].name] = status
        counted(len(statuses), len(folders), "runs")
        progress(done_line(labels[index], status, len(statuses), len(folders),
                           time.monotonic() - begin))
    return statuses


def done_line(what: str, how: str, done: int, of: int, so_far_s: float) -> str:
    """A line that says what has ended, how, and the time left at the mean speed so far."""
    left = so_far_s / done * (of - done)
    return f"[{done}/{of}] {what}: {how}" + (f"; about {duration(left)} left" if left > 0.0 else "")


def _by_processes(folders: list[Path], starts: Path, workers: int,
                  labels: list[str]) -> Iterator[tuple[int, str]]:
    pool = ThreadPoolExecutor(workers)
    words: SimpleQueue[Word] = SimpleQueue()
    told = words.put if listening() else None
    try:
        jobs = {pool.submit(run_in_process, str(folder), str(starts), told, label): index
                for index, (folder, label) in enumerate(zip(folders, labels, strict=True))}
        open_jobs = set(jobs)
        while open_jobs:
            done, open_jobs = wait(open_jobs, LOOK_EVERY_S, FIRST_COMPLETED)
            while not words.empty():
                tell(words.get())
            for job in sorted(done, key=lambda item: jobs[item]):
                yield jobs[job], _status(job)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _status(job: Any) -> str:
    try:
        return str(job.result())
    except OSError as error:
        raise InputError(f"results cannot be written: {error}",
                         "free disk space, then the same command again: finished runs are kept"
                         ) from None


@contextmanager
def _unlogged() -> Iterator[None]:
    """Suppress the tracebacks that distributed logs; a lost scheduler is reported in one line."""
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def _by_cluster(folders: list[Path], starts: Path, scheduler: str) -> Iterator[tuple[int, str]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise InputError("--scheduler needs the package distributed",
                         "pip install -e '.[study]' in simkit's folder") from None
    try:
        client = Client(scheduler, timeout=PATIENCE_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(f"no scheduler answers at {scheduler} ({type(error).__name__})",
                         "the address that `dask scheduler` prints, such as tcp://host:8786"
                         ) from None
    with _unlogged(), client:
        jobs = {client.submit(run_in_process, str(folder.resolve()), str(starts.resolve()),
                              pure=False, retries=2): index
                for index, folder in enumerate(folders)}
        for job in as_completed(list(jobs)):
            if job.status == "finished":
                yield jobs[job], str(job.result())
            elif client.status != "running":
                raise WorkerLost(f"the scheduler at {scheduler} was lost; runs that had finished "
                                 "are kept: start it again and repeat the command, or repeat it "
                                 "without --scheduler")
            else:
                yield jobs[job], f"lost by the cluster ({type(job.exception()).__name__})"
