"""Compile the kernels of a new installation in two processes at the same time.

A kernel is compiled at its first call and kept on disk. One process compiles one kernel after the
other. Here a second process strikes and pulls a small panel, with a solver that needs no kernels,
and so compiles those of the mechanics; meanwhile this process compiles those of the solver.
"""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np

from simkit.kernels.teamwork import cores
from simkit.solve.linear import Pattern, make_solver
from simkit.solve.linear.kernels import factor_stages

SECOND = "simkit.mechanics.first_job"
"""Module that the second process runs."""
LONGEST_S = 300.0
"""Time after which the second process is ended."""
GRID = 6
"""Points along each side of the solver's small problem."""
ALONE = "SIMKIT_COMPILING"
"""Environment variable of the second process, which keeps it from starting a third."""


@cache
def compile_in_two() -> bool:
    """Compile the common kernels if none are on disk yet; return whether this was needed.

    Runs once per process. An error here is ignored: the kernel is then compiled at its first call,
    and the error is reported there.
    """
    if os.environ.get(ALONE) or cores() < 2 or kept():
        return False
    try:
        second = subprocess.Popen(
            [sys.executable, "-m", SECOND], stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env={**os.environ, ALONE: "1"}, cwd=Path(__file__).parents[2])
    except OSError:
        return False
    try:
        compile_solver()
        second.wait(LONGEST_S)
    except subprocess.TimeoutExpired:
        pass
    finally:
        if second.poll() is None:
            second.kill()
            second.wait()
    return True


def kept() -> bool:
    """Whether kernels of the solver are on disk already, or cannot be kept there at all."""
    cached = getattr(factor_stages, "_cache", None)
    if cached is None:  # compilation is switched off
        return True
    folder = Path(cached.cache_path)
    if folder.exists() and not os.access(folder, os.W_OK):
        return True
    return any(folder.glob("kernels.factor_stages-*.nbi"))


def compile_solver() -> None:
    """Factor and solve a small matrix like that of a panel: three equations at each point."""
    pattern = grid_pattern(GRID)
    values = np.full(pattern.indices.size, -0.1)
    values[pattern.indptr[:-1]] = 20.0
    solver = make_solver(pattern, "multifrontal")
    solver.factor(values)
    solver.factor(values, np.arange(3))
    solver.solve(np.ones(pattern.n))
    solver.solve(np.ones((pattern.n, 2)))


def grid_pattern(points: int) -> Pattern:
    """Pattern of a square grid of points coupled with their neighbours, three equations each."""
    i, j = (a.ravel() for a in np.meshgrid(np.arange(points), np.arange(points)))
    near = (abs(i[:, None] - i) <= 1) & (abs(j[:, None] - j) <= 1)
    whole = np.triu(np.kron(near, np.ones((3, 3), bool)))
    rows, columns = np.nonzero(whole)
    coords = np.repeat(np.stack([i, j], axis=1), 3, axis=0)
    return Pattern(3 * i.size, np.searchsorted(rows, np.arange(3 * i.size + 1)), columns, coords)
