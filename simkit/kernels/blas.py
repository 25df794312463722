"""Threads of the linear algebra library behind numpy."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _libraries() -> ThreadpoolController:
    """The libraries loaded by now; looking for them takes a millisecond."""
    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[object]:
    """Within it BLAS works in one thread; afterwards as before.

    Our dense matrices are small. Woken threads of BLAS gain nothing on them, and go on spinning
    while our own threads need the processors: a pull took 1.4 s in place of 1.05 s on two cores.
    """
    return _libraries().limit(limits=1, user_api="blas")
