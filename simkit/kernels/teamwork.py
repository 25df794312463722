"""Threads that share the work of each stage inside compiled code.

A job has stages; a stage has groups of work that are independent of each other. Every thread runs
the same kernel: it takes the next free group and works on it. When a stage has no free group left,
the thread waits until the groups taken by others are done. Handing a group over costs about 1 us;
through Python's own queue it costs about 50 us. A thread that starts late finds no free group and
returns; no other thread waits for it. The result does not depend on which thread works on a group.
"""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils

from simkit.kernels.simd import LONG, address, kernel_operation

NEXT_BYTE, DONE_BYTE, SIGN_BYTE, STAGE_BYTES = 0, 64, 128, 192
"""Byte offsets of a stage's counters: next group, groups done, sign (0 until the stage is done).

Each has a cache line of its own, so that threads do not slow each other down by writing to one.
"""
STAGE_ABANDONED = 1 << 32  # sign of a stage in which a thread raised an error
SPINS_BEFORE_YIELD = 2000  # reads of a flag before the thread gives the processor to another


def _atomic(operation: str) -> Any:
    """Atomic change of the integer at an address; the operation returns the value before it."""

    @kernel_operation
    def change(typingctx: Any, place: Any, value: Any) -> Any:
        def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
            pointer = builder.inttoptr(args[0], LONG.as_pointer())
            return builder.atomic_rmw(operation, pointer, args[1], "seq_cst")

        return types.int64(types.int64, types.int64), codegen

    return change


atomic_add = _atomic("add")
atomic_max = _atomic("max")  # the larger of the two is left there


@kernel_operation
def atomic_load(typingctx: Any, place: Any) -> Any:
    """Return the integer at an address; what another thread wrote before it is visible then
    (acquire order)."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = builder.inttoptr(args[0], LONG.as_pointer())
        return builder.load_atomic(pointer, "acquire", 8)

    return types.int64(types.int64), codegen


@kernel_operation
def pause(typingctx: Any) -> Any:
    """Tell the processor that this thread is waiting, so that the other thread of the same core
    runs at full speed."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        if platform.machine().lower() in ("x86_64", "amd64"):
            kind = ir.FunctionType(ir.VoidType(), [])
            builder.call(
                cgutils.get_or_insert_function(builder.module, kind, "llvm.x86.sse2.pause"), [])
        return ctx.get_dummy_value()

    return types.void(), codegen


@kernel_operation
def yield_cpu(typingctx: Any) -> Any:
    """Give the processor to another thread, where the system has a call for that."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        if sys.platform != "win32":
            kind = ir.FunctionType(ir.IntType(32), [])
            builder.call(cgutils.get_or_insert_function(builder.module, kind, "sched_yield"), [])
        return ctx.get_dummy_value()

    return types.void(), codegen


def cores() -> int:
    """Return the number of processors this process may use."""
    if hasattr(os, "sched_getaffinity"):  # Linux only
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Team:
    """The threads of one solver or panel; one caller at a time uses them."""

    def __init__(self, threads: int) -> None:
        self.threads = threads
        self._pool = ThreadPoolExecutor(threads - 1) if threads > 1 else None

    def run(self, stages: int, job: Callable[[np.ndarray, int], object]) -> None:
        """Run a kernel on every thread, with the counters of its stages and the thread's number.

        The kernel must return only when its last stage is done. If one thread raises an error,
        all stages are opened so that the others do not wait for ever; the error is raised here.
        """
        board = np.zeros(stages * STAGE_BYTES // 8 + 8, np.int64)
        errors: list[BaseException] = []

        def part(thread: int) -> None:
            try:
                job(board, thread)
            except BaseException as error:
                errors.append(error)
                board[SIGN_BYTE // 8 : stages
                      * STAGE_BYTES // 8 : STAGE_BYTES // 8] = STAGE_ABANDONED

        if self._pool is not None:
            for thread in range(1, self.threads):
                self._pool.submit(part, thread)
        part(0)
        if errors:
            raise errors[0]

    def each(self, shares: int, work: Callable[[int], None]) -> None:
        """Call `work` for every share, each on a thread of its own; at most as many as threads."""
        rest = [self._pool.submit(work, share) for share in range(1, shares)] if self._pool else []
        work(0)
        for job in rest:
            job.result()


@njit(cache=True, nogil=True)
def take_group(board: np.ndarray, stage: int, count: int) -> int:
    """Return the number of the next free group of the stage, or -1 if there is none."""
    group = atomic_add(address(board) + STAGE_BYTES * stage + NEXT_BYTE, 1)
    return group if group < count else -1


@njit(cache=True, nogil=True)
def finish_group(board: np.ndarray, stage: int, count: int) -> bool:
    """Count a group as done; return whether it was the last of its stage.

    The thread that did the last group must then call `release_stage`.
    """
    return bool(atomic_add(address(board) + STAGE_BYTES * stage + DONE_BYTE, 1) == count - 1)


@njit(cache=True, nogil=True)
def release_stage(board: np.ndarray, stage: int, sign: int) -> None:
    """Mark the stage as done; `wait_for_stage` then returns `sign` (not 0) in all threads."""
    atomic_add(address(board) + STAGE_BYTES * stage + SIGN_BYTE, sign)


@njit(cache=True, nogil=True)
def wait_for_stage(board: np.ndarray, stage: int) -> int:
    """Wait until the stage is done; return its sign."""
    place, spins = address(board) + STAGE_BYTES * stage + SIGN_BYTE, 0
    sign = atomic_load(place)
    while sign == 0:
        spins += 1
        pause()
        if spins % SPINS_BEFORE_YIELD == 0:
            yield_cpu()
        sign = atomic_load(place)
    return sign
