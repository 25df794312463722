"""Threads that share the groups of each stage among them inside compiled code.

Every thread runs the same kernel: it takes the next group that nobody has, works on it, and when
a stage has none left, waits until those taken by others are done. A handover costs a microsecond,
where one through Python's own queue costs fifty. A thread that comes late finds nothing left to
take and leaves; nobody waits for it. Which thread works on a group changes no result.
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
"""Counters of a stage, each on a cache line of its own: next group, groups done, sign."""
STAGE_ABANDONED = 1 << 32  # sign of a stage whose thread raised an error
SPINS_BEFORE_YIELD = 2000  # reads of a flag before the processor is given up


def _atomic(operation: str) -> Any:
    """Change the integer at an address in one go; the result returns what it was."""

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
    """Return the integer at an address, with all that was written before it was."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = builder.inttoptr(args[0], LONG.as_pointer())
        return builder.load_atomic(pointer, "acquire", 8)

    return types.int64(types.int64), codegen


@kernel_operation
def pause(typingctx: Any) -> Any:
    """Tell the processor that this is waiting, so that a sister thread has the core."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        if platform.machine().lower() in ("x86_64", "amd64"):
            kind = ir.FunctionType(ir.VoidType(), [])
            builder.call(
                cgutils.get_or_insert_function(builder.module, kind, "llvm.x86.sse2.pause"), [])
        return ctx.get_dummy_value()

    return types.void(), codegen


@kernel_operation
def yield_cpu(typingctx: Any) -> Any:
    """Let another program have the processor, where the system has a call for that."""

    def codegen(ctx: Any, builder: Any, sig: Any, args: Any) -> Any:
        if sys.platform != "win32":
            kind = ir.FunctionType(ir.IntType(32), [])
            builder.call(cgutils.get_or_insert_function(builder.module, kind, "sched_yield"), [])
        return ctx.get_dummy_value()

    return types.void(), codegen


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):  # not everywhere
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Team:
    """The threads of one solver or panel; they serve one caller at a time."""

    def __init__(self, threads: int) -> None:
        self.threads = threads
        self._pool = ThreadPoolExecutor(threads - 1) if threads > 1 else None

    def run(self, stages: int, job: Callable[[np.ndarray, int], object]) -> None:
        """Run a kernel on every thread; it is given counters for its stages and the thread's
        number. It must wait for the last of its stages to be done.

        An error of one thread lets the others through all stages, and is raised here.
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
        """Do a piece of work for every share, of which there are no more than threads."""
        rest = [self._pool.submit(work, share) for share in range(1, shares)] if self._pool else []
        work(0)
        for job in rest:
            job.result()


@njit(cache=True, nogil=True)
def take_group(board: np.ndarray, stage: int, count: int) -> int:
    """Return the number of a group of the stage that nobody has taken yet, or -1."""
    group = atomic_add(address(board) + STAGE_BYTES * stage + NEXT_BYTE, 1)
    return group if group < count else -1


@njit(cache=True, nogil=True)
def finish_group(board: np.ndarray, stage: int, count: int) -> bool:
    """Say that a group is done; return whether it was the last. Its thread then opens the next."""
    return bool(atomic_add(address(board) + STAGE_BYTES * stage + DONE_BYTE, 1) == count - 1)


@njit(cache=True, nogil=True)
def release_stage(board: np.ndarray, stage: int, sign: int) -> None:
    """Let all threads go on after the stage; `wait_for_stage` returns `sign`, not 0, to them."""
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
