"""Compile the kernels of a new installation in two processes at once.

The kernels are compiled where they are first called and kept on disk. One process does that one
kernel after the other; here a second one strikes and pulls a small panel with a solver that needs
no kernels, while this one compiles those of the solver.
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
GRID = 6
"""Points a side of the solver's small problem."""
ALONE = "SIMKIT_COMPILING"
"""Set in the second process, so that it starts no third."""


@cache
def compile_in_two() -> bool:
    """Compile the common kernels if none are kept yet; once a process. Whether it was needed.

    What fails here is left for the first call, where it is said.
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
    """Whether kernels of the solver are on disk, or cannot be kept at all."""
    held = getattr(factor_stages, "_cache", None)
    if held is None:  # nothing is compiled here
        return True
    folder = Path(held.cache_path)
    if folder.exists() and not os.access(folder, os.W_OK):
        return True
    return any(folder.glob("kernels.factor_stages-*.nbi"))


def compile_solver() -> None:
    """Factor and solve a small matrix of the panel's kind: three equations at each point."""
    pattern = grid_pattern(GRID)
    values = np.full(pattern.indices.size, -0.1)
    values[pattern.indptr[:-1]] = 20.0
    solver = make_solver(pattern, "multifrontal")
    solver.factor(values)
    solver.factor(values, np.arange(3))
    solver.solve(np.ones(pattern.n))
    solver.solve(np.ones((pattern.n, 2)))


def grid_pattern(points: int) -> Pattern:
    """Points of a square grid, each coupled with its neighbours, three equations a point."""
    i, j = (a.ravel() for a in np.meshgrid(np.arange(points), np.arange(points)))
    near = (abs(i[:, None] - i) <= 1) & (abs(j[:, None] - j) <= 1)
    whole = np.triu(np.kron(near, np.ones((3, 3), bool)))
    rows, columns = np.nonzero(whole)
    coords = np.repeat(np.stack([i, j], axis=1), 3, axis=0)
    return Pattern(3 * i.size, np.searchsorted(rows, np.arange(3 * i.size + 1)), columns, coords)
