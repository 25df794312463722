"""Worker processes: they do not import from the current folder, end with their parent, and raise
an error in the parent if they are lost."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor
from concurrent.futures import wait as wait_for
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import Connection, wait
from typing import Any

from simkit.aside import leave_current_folder
from simkit.errors import WorkerLost
from simkit.underway import Listener, heard_from

LOOK_EVERY_S = 0.2
"""Interval at which messages of workers are read."""
_way_out: list[Connection] = []
"""In a worker: the pipe for its messages."""


def can_start() -> bool:
    """Whether workers can be prevented from importing modules of the current folder.

    A Python started with -E starts its workers with -E, too. They then ignore PYTHONSAFEPATH and
    search the current folder.
    """
    return bool(sys.flags.safe_path) or not sys.flags.ignore_environment


def each(work: Callable[..., Any], jobs: Mapping[str, tuple[Any, ...]], workers: int,
         told: Listener) -> Iterator[tuple[str, Any]]:
    """Carry out ``work(*arguments)`` for every job in worker processes; yields results as they end.

    told : receives, in this process, the messages that workers send by :func:`hand_on`.

    Raises
    ------
    WorkerLost : a worker ended without a result. An exception of ``work`` is raised here.
    """
    # `spawn` starts `python -c`, which would search the current folder first.
    os.environ["PYTHONSAFEPATH"] = "1"
    context = multiprocessing.get_context("spawn")
    ear, way_out = context.Pipe(duplex=False)
    with ear, way_out, ProcessPoolExecutor(min(workers, len(jobs)), context, initializer=_begin,
                                           initargs=(way_out,)) as pool:
        waiting = {pool.submit(work, *arguments): name for name, arguments in jobs.items()}
        try:
            still = set(waiting)
            while still:
                done, still = wait_for(still, LOOK_EVERY_S, FIRST_COMPLETED)
                _hear(ear, told)
                for job in sorted(done, key=lambda item: list(jobs).index(waiting[item])):
                    yield waiting[job], job.result()
        except BrokenProcessPool as error:
            raise WorkerLost(
                "a worker process ended without a result: it was killed or ran out of memory; "
                "finished work is kept, repeat the command to continue") from error
        except BaseException:
            for process in list((pool._processes or {}).values()):
                process.terminate()
            raise


def _hear(ear: Connection, told: Listener) -> None:
    """Pass all waiting messages to ``told``."""
    while ear.poll():
        word = heard_from(ear.recv_bytes())
        if word is not None:
            told(word)


def hand_on(word: bytes) -> None:
    """In a worker: send a message to the parent. All workers share one pipe without a lock, since a
    short message is written to it in one piece (at most PIPE_BUF, 4096 bytes on Linux)."""
    with contextlib.suppress(OSError):
        _way_out[0].send_bytes(word)


def _begin(way_out: Connection) -> None:
    """Prepare a worker: leave the current folder, and watch for the end of the parent process."""
    leave_current_folder()
    _way_out[:] = [way_out]
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
