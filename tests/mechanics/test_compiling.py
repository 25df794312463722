"""Kernels of a new installation are compiled in two processes: what each of them does."""

from __future__ import annotations

import subprocess
import sys
from typing import Any, ClassVar

import numpy as np
import pytest
import scipy.sparse as sp

from simkit.mechanics import compiling, first_job
from simkit.solve.linear import make_solver


class Second:
    """Stands for the second process: what it was started with, and that it was waited for."""

    begun: ClassVar[list[Any]] = []

    def __init__(self, words: list[str], **more: Any) -> None:
        self.ended = False
        Second.begun.append((words, more, self))

    def wait(self, seconds: float | None = None) -> int:
        """It ends at once."""
        self.ended = True
        return 0

    def poll(self) -> int | None:
        """0 once it has ended."""
        return 0 if self.ended else None


def alone(monkeypatch: pytest.MonkeyPatch, kept: bool, cores: int = 2) -> bool:
    """Whether a second process is begun, under these circumstances."""
    Second.begun.clear()
    monkeypatch.setattr(subprocess, "Popen", Second)
    monkeypatch.setattr(compiling, "kept", lambda: kept)
    monkeypatch.setattr(compiling, "cores", lambda: cores)
    compiling.compile_in_two.cache_clear()
    compiling.compile_in_two()
    compiling.compile_in_two()
    compiling.compile_in_two.cache_clear()
    return bool(Second.begun)


def test_a_second_process_is_begun_once_where_nothing_is_kept(monkeypatch):
    assert alone(monkeypatch, kept=False)
    (words, more, second), = Second.begun
    assert words == [sys.executable, "-m", first_job.__name__]
    assert second.ended
    assert more["env"][compiling.ALONE] == "1"


@pytest.mark.parametrize(("kept", "cores", "inside"), [(True, 2, ""), (False, 1, ""),
                                                       (False, 2, "1")])
def test_none_is_begun_where_kernels_are_kept_or_nothing_is_won(monkeypatch, kept, cores, inside):
    monkeypatch.setenv(compiling.ALONE, inside)
    assert not alone(monkeypatch, kept, cores)


def test_the_small_matrix_is_solved_as_a_dense_solver_does():
    pattern = compiling.grid_pattern(4)
    values = np.random.default_rng(1).uniform(-0.2, 0.0, pattern.indices.size)
    values[pattern.indptr[:-1]] = 20.0
    upper = sp.csr_matrix((values, pattern.indices, pattern.indptr)).toarray()
    dense = upper + np.triu(upper, 1).T
    solver = make_solver(pattern, "multifrontal")
    solver.factor(values)
    right = np.arange(1.0, pattern.n + 1.0)
    np.testing.assert_allclose(solver.solve(right), np.linalg.solve(dense, right), rtol=1e-10)


def test_the_first_job_presses_and_pulls():
    done = first_job.main()
    assert done.outcome.valid
    assert done.force_N > 0.0
    assert done.energy_error_pct < 1.0
