"""Worker processes: started on a safe path, ended with their parent, missed when they are lost."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from typing import Any

from simkit.aside import leave_current_folder
from simkit.errors import WorkerLost


def can_start() -> bool:
    """Whether workers can be kept from loading modules of the current folder.

    A Python told to ignore its environment (-E) hands that on, and with it the current folder.
    """
    return bool(sys.flags.safe_path) or not sys.flags.ignore_environment


def each(work: Callable[..., Any], jobs: Mapping[str, tuple[Any, ...]], workers: int
         ) -> Iterator[tuple[str, Any]]:
    """Carry out ``work(*arguments)`` for every job in processes of their own, as they end.

    Raises
    ------
    WorkerLost : a worker ended without an answer. Whatever ``work`` raises is raised here.
    """
    # `spawn` starts `python -c`, which would search the current folder first.
    os.environ["PYTHONSAFEPATH"] = "1"
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(jobs)), context, initializer=_begin) as pool:
        waiting = {pool.submit(work, *arguments): name for name, arguments in jobs.items()}
        try:
            for job in as_completed(waiting):
                yield waiting[job], job.result()
        except BrokenProcessPool as error:
            raise WorkerLost(
                "a worker process ended without an answer: killed from outside, or out of "
                "memory; what was finished is kept, give the command again to go on") from error
        except BaseException:
            for process in list((pool._processes or {}).values()):
                process.terminate()
            raise


def _begin() -> None:
    """First act of a worker: a safe path, and somebody who watches whether the parent lives."""
    leave_current_folder()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
