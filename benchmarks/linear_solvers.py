"""Time the linear solvers on a shallow shell of B-splines: analyse, factor, solve.

Run: python benchmarks/linear_solvers.py [--sizes 32 64 128 192] [--degree 2] [--threads 1]
     [--backends multifrontal pardiso superlu] [--json]

The operator is the linear shallow shell (Marguerre's terms, membrane and bending) of a square
sheet clamped by its outer ring of control points, 3 unknowns a point. Each time is the least of
several; every factorisation starts from scratch, no branch is reused.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import scipy.sparse as sp
from scipy.interpolate import BSpline

from simkit.solve.linear import Pattern, available, make_solver
from simkit.solve.linear.multifrontal import MultifrontalLDL

SIDE_MM = 300.0
THICKNESS_MM = 0.75
MODULUS_MPA, POISSON = 2.1e5, 0.3
RADII_MM = (600.0, 1200.0)
SIDES = (1, 6, 10)
LARGEST_SUPERLU = 64  # elements a side; beyond, minutes


def spline_matrices(elements: int, degree: int) -> tuple[list[sp.csr_matrix], np.ndarray]:
    """Return value, slope and second derivative at the Gauss points, and the weights (mm)."""
    knots = np.concatenate(
        [np.zeros(degree), np.linspace(0.0, SIDE_MM, elements + 1), np.full(degree, SIDE_MM)]
    )
    size = SIDE_MM / elements
    gauss, weight = np.polynomial.legendre.leggauss(degree)
    x = (size * np.arange(elements)[:, None] + size * (gauss + 1.0) / 2.0).ravel()
    splines = BSpline(knots, np.eye(elements + degree), degree)
    rows = [splines(x), splines.derivative(1)(x), splines.derivative(2)(x)]
    return [sp.csr_matrix(row) for row in rows], np.tile(weight * size / 2.0, elements)


def shallow_shell(elements: tuple[int, int], degree: int) -> tuple[sp.csr_matrix, np.ndarray]:
    """Return the stiffness (N/mm) with its full pattern, and the grid position of each equation.

    Membrane strains u,x + w/Rx, v,y + w/Ry, u,y + v,x; curvatures w,xx, w,yy, 2 w,xy.
    """
    (bx, wx), (by, wy) = (spline_matrices(count, degree) for count in elements)
    n, nx, ny = sp.kron(bx[0], by[0]), sp.kron(bx[1], by[0]), sp.kron(bx[0], by[1])
    nxx, nyy, nxy = sp.kron(bx[2], by[0]), sp.kron(bx[0], by[2]), sp.kron(bx[1], by[1])
    o = sp.csr_matrix(n.shape)
    strain = [[nx, o, n / RADII_MM[0]], [o, ny, n / RADII_MM[1]], [ny, nx, o]]
    curvature = [[o, o, nxx], [o, o, nyy], [o, o, 2.0 * nxy]]
    law = np.array([[1.0, POISSON, 0.0], [POISSON, 1.0, 0.0], [0.0, 0.0, (1.0 - POISSON) / 2.0]])
    law *= MODULUS_MPA / (1.0 - POISSON**2)
    weights = sp.kron(law, sp.diags(np.kron(wx, wy)))
    stiffness = sp.csr_matrix((3 * n.shape[1], 3 * n.shape[1]))
    for rows, factor in ((strain, THICKNESS_MM), (curvature, THICKNESS_MM**3 / 12.0)):
        b = sp.bmat(rows).tocsr()
        stiffness = stiffness + factor * (b.T @ weights @ b)
    counts = (elements[0] + degree, elements[1] + degree)
    by_point = np.arange(3 * n.shape[1]).reshape(3, -1).T.ravel()
    matrix = stiffness.tocsr()[by_point][:, by_point]
    i, j = np.indices(counts)
    coords = np.repeat(np.column_stack([i.ravel(), j.ravel()]), 3, axis=0)
    return with_full_pattern((matrix + matrix.T) / 2.0, counts, degree), coords


def with_full_pattern(matrix: sp.spmatrix, counts: tuple[int, int], degree: int) -> sp.csr_matrix:
    """Store zeros too, wherever two control points lie within the degree of each other."""
    reach = range(-degree, degree + 1)
    bands = [sp.diags([1.0] * len(reach), list(reach), shape=(c, c)) for c in counts]
    full = sp.kron(sp.kron(*bands), np.ones((3, 3))).tocoo()
    a = matrix.tocoo()
    rows, columns = np.concatenate([a.row, full.row]), np.concatenate([a.col, full.col])
    values = np.concatenate([a.data, np.zeros(full.nnz)])
    return sp.csr_matrix((values, (rows, columns)), shape=a.shape)


def clamped(matrix: sp.csr_matrix, coords: np.ndarray) -> tuple[sp.csr_matrix, np.ndarray]:
    """Drop the equations of the outermost control points."""
    inside = ((coords > 0) & (coords < coords.max(axis=0))).all(axis=1)
    keep = np.flatnonzero(inside)
    return matrix[keep][:, keep], coords[keep]


def upper_triangle(matrix: sp.csr_matrix, coords: np.ndarray) -> tuple[Pattern, np.ndarray]:
    """Return pattern and values of the upper triangle, stored zeros kept."""
    a = matrix.tocoo()
    upper = np.flatnonzero(a.row <= a.col)
    upper = upper[np.lexsort((a.col[upper], a.row[upper]))]
    n = a.shape[0]
    indptr = np.concatenate([[0], np.cumsum(np.bincount(a.row[upper], minlength=n))])
    return Pattern(n, indptr, a.col[upper].astype(np.int64), coords), a.data[upper]


def least_seconds(job, repeats: int) -> float:
    """Return the least wall time of several calls."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def resident_mb() -> float:
    """Return the memory this process holds, MB (0 where the system does not say)."""
    path = Path("/proc/self/statm")
    if not path.exists():
        return 0.0
    return int(path.read_text().split()[1]) * resource.getpagesize() / 1e6


def measure(pattern: Pattern, data: np.ndarray, backend: str, threads: int) -> dict:
    """Return the times of one backend in seconds, its inertia and the residual of a solution.

    Values are scaled a little each time, so that every block has new ones. The memory is what
    analysis, factorisation and solutions add to the process.
    """
    before = resident_mb()
    analyse = least_seconds(lambda: make_solver(pattern, backend, threads), 1)
    solver = make_solver(pattern, backend, threads)
    repeats = 2 if backend == "superlu" else 7
    scaled = iter([1.0 + 1e-6 * k for k in range(repeats + 1)])
    solver.factor(data * next(scaled))
    factor = least_seconds(lambda: solver.factor(data * next(scaled)), repeats)
    factor -= least_seconds(lambda: data * 1.5, repeats)
    solver.factor(data)
    b = np.random.default_rng(1).standard_normal((pattern.n, 10))
    sides = {many: np.asfortranarray(b[:, :many]) if many > 1 else b[:, 0].copy()
             for many in SIDES}
    solved = {many: solver.solve(side) for many, side in sides.items()}
    held = resident_mb() - before
    times = {many: least_seconds(lambda side=side: solver.solve(side), repeats)
             for many, side in sides.items()}
    rows = np.repeat(np.arange(pattern.n), np.diff(pattern.indptr))
    upper = sp.csr_matrix((data, (rows, pattern.indices)), shape=(pattern.n, pattern.n))
    x = solved[1]
    residual = sides[1] - upper @ x - upper.T @ x + upper.diagonal() * x
    result = {
        "backend": backend, "equations": pattern.n, "analyse_s": analyse, "factor_s": factor,
        **{f"solve_{many}_s": times[many] for many in SIDES},
        "negative_pivots": solver.negative_pivots, "held_MB": held,
        "relative_residual": float(np.abs(residual).max() / np.abs(sides[1]).max()),
    }
    if isinstance(solver, MultifrontalLDL):
        result["gflop"] = float(solver._tree.work().sum()) / 1e9
        result["factor_MB"] = float(solver._tree.panel_ptr[-1]) * 8e-6
        result["gflop_per_s"] = result["gflop"] / factor
    return result


def warm_up(backend: str, threads: int) -> None:
    """Compile and load everything on a small matrix."""
    pattern, data = upper_triangle(*clamped(*shallow_shell((8, 8), 2)))
    pattern = replace(pattern, indptr=pattern.indptr.astype(np.int32))
    solver = make_solver(pattern, backend, threads)
    for _ in range(2):
        solver.factor(data)
    for many in SIDES:
        solver.solve(np.ones((pattern.n, many)))


def growth(rows: list[dict], backend: str, low: int, high: int) -> float | None:
    """Return the power of the unknowns by which factorisation and one solution grow."""
    found = {row["elements"]: row for row in rows if row["backend"] == backend}
    if low not in found or high not in found:
        return None
    cost = [found[size]["factor_s"] + found[size]["solve_1_s"] for size in (low, high)]
    n = [found[size]["equations"] for size in (low, high)]
    return float(np.log(cost[1] / cost[0]) / np.log(n[1] / n[0]))


def report(rows: list[dict], options: argparse.Namespace) -> str:
    """Return the table for people."""
    lines = [
        f"degree {options.degree}, threads {options.threads}, milliseconds, MB, Gflop/s",
        "elements  equations  backend        analyse   factor  1 side  6 sides  10 sides"
        "     MB  Gflop/s  residual",
    ]
    for row in rows:
        keys = ["analyse_s", "factor_s", *(f"solve_{many}_s" for many in SIDES)]
        times = [1e3 * row[key] for key in keys]
        rate = f"{row['gflop_per_s']:9.1f}" if "gflop_per_s" in row else 9 * " "
        lines.append(
            f"{row['elements']:8d} {row['equations']:10d}  {row['backend']:13s}"
            f"{times[0]:9.1f}{times[1]:9.1f}{times[2]:8.2f}{times[3]:9.2f}{times[4]:10.2f}"
            f"{row['held_MB']:7.0f}{rate}{row['relative_residual']:10.1e}"
        )
    for backend in dict.fromkeys(row["backend"] for row in rows):
        power = growth(rows, backend, 64, 192)
        if power is not None:
            lines.append(f"{backend}: from 64 to 192 elements a side, factorisation and one "
                         f"solution grow as the unknowns to the {power:.2f}")
    return "\n".join(lines)


def main() -> None:
    """Measure and print a table or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[32, 64, 128, 192])
    parser.add_argument("--degree", type=int, default=2)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--backends", nargs="+", default=available())
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    for backend in options.backends:
        warm_up(backend, options.threads)
    rows = []
    for size in options.sizes:
        pattern, data = upper_triangle(*clamped(*shallow_shell((size, size), options.degree)))
        pattern = replace(pattern, indptr=pattern.indptr.astype(np.int32))
        for backend in options.backends:
            if backend == "superlu" and size > LARGEST_SUPERLU:
                continue
            rows.append({"elements": size, **measure(pattern, data, backend, options.threads)})
    if options.json:
        print(json.dumps({
            "degree": options.degree, "threads": options.threads, "rows": rows,
            "growth": {name: growth(rows, name, 64, 192) for name in options.backends}}))
        return
    print(report(rows, options))


if __name__ == "__main__":
    main()
