"""Threads of BLAS while we work."""

from __future__ import annotations

import pytest
from threadpoolctl import threadpool_info

from simkit.kernels.blas import one_blas_thread


def threads() -> list[int]:
    return [found["num_threads"] for found in threadpool_info() if found["user_api"] == "blas"]


def test_one_thread_within_and_as_before_afterwards() -> None:
    before = threads()
    if not before:
        pytest.skip("numpy comes without a BLAS that can be asked")
    with one_blas_thread():
        assert threads() == [1] * len(before)
    assert threads() == before
