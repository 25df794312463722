"""Worker processes: started on a safe path, ended with their parent, missed when they are lost."""

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
"""How often the words of workers are looked at."""
_way_out: list[Connection] = []
"""In a worker: where its words go."""


def can_start() -> bool:
    """Whether workers can be kept from loading modules of the current folder.

    A Python told to ignore its environment (-E) hands that on, and with it the current folder.
    """
    return bool(sys.flags.safe_path) or not sys.flags.ignore_environment


def each(work: Callable[..., Any], jobs: Mapping[str, tuple[Any, ...]], workers: int,
         told: Listener) -> Iterator[tuple[str, Any]]:
    """Carry out ``work(*arguments)`` for every job in processes of their own, as they end.

    told : hears, in this process, what they hand on by :func:`hand_on`.

    Raises
    ------
    WorkerLost : a worker ended without an answer. Whatever ``work`` raises is raised here.
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
                "a worker process ended without an answer: killed from outside, or out of "
                "memory; what was finished is kept, give the command again to go on") from error
        except BaseException:
            for process in list((pool._processes or {}).values()):
                process.terminate()
            raise


def _hear(ear: Connection, told: Listener) -> None:
    """All words that have come."""
    while ear.poll():
        word = heard_from(ear.recv_bytes())
        if word is not None:
            told(word)


def hand_on(word: bytes) -> None:
    """In a worker: send a word to the parent. Workers share one pipe, which needs no lock since
    it takes a word in one piece."""
    with contextlib.suppress(OSError):
        _way_out[0].send_bytes(word)


def _begin(way_out: Connection) -> None:
    """First act of a worker: a safe path, and somebody who watches whether the parent lives."""
    leave_current_folder()
    _way_out[:] = [way_out]
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
