"""Time the linear solvers on a shallow shell of B-splines: analyse, factor, solve.

Run: python benchmarks/linear_solvers.py [--sizes 32 64 128] [--degree 2] [--threads 1] [--json]

The operator is the linear shallow shell (Marguerre's terms, membrane and bending) of a square
sheet clamped by its outer ring of control points, 3 unknowns a point. Each time is the least of
several; every factorisation starts from scratch, no branch is reused.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace

import numpy as np
import scipy.sparse as sp
from scipy.interpolate import BSpline

from simkit.solve.linear import Pattern, available, make_solver

SIDE_MM = 300.0
THICKNESS_MM = 0.75
MODULUS_MPA, POISSON = 2.1e5, 0.3
RADII_MM = (600.0, 1200.0)
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


def measure(pattern: Pattern, data: np.ndarray, backend: str, threads: int) -> dict:
    """Return the times of one backend in seconds, its inertia and the residual of a solution.

    Values are scaled a little each time, so that every block has new ones.
    """
    make_solver(pattern, backend, threads).factor(data)  # compile, load, warm up
    analyse = least_seconds(lambda: make_solver(pattern, backend, threads), 2)
    solver = make_solver(pattern, backend, threads)
    repeats = 2 if backend == "superlu" else 7
    scaled = iter([data * (1.0 + 1e-6 * k) for k in range(repeats + 1)])
    solver.factor(next(scaled))
    factor = least_seconds(lambda: solver.factor(next(scaled)), repeats)
    solver.factor(data)
    b = np.random.default_rng(1).standard_normal(pattern.n)
    x = solver.solve(b)
    solve = least_seconds(lambda: solver.solve(b), repeats)
    many = np.random.default_rng(2).standard_normal((pattern.n, 10))
    solver.solve(many)
    rows = np.repeat(np.arange(pattern.n), np.diff(pattern.indptr))
    upper = sp.csr_matrix((data, (rows, pattern.indices)), shape=(pattern.n, pattern.n))
    residual = b - upper @ x - upper.T @ x + upper.diagonal() * x
    return {
        "backend": backend, "equations": pattern.n, "analyse_s": analyse, "factor_s": factor,
        "solve_s": solve, "solve_10_s": least_seconds(lambda: solver.solve(many), repeats),
        "negative_pivots": solver.negative_pivots,
        "relative_residual": float(np.abs(residual).max() / np.abs(b).max()),
    }


def main() -> None:
    """Measure and print a table or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[32, 64, 128])
    parser.add_argument("--degree", type=int, default=2)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = []
    for size in options.sizes:
        pattern, data = upper_triangle(*clamped(*shallow_shell((size, size), options.degree)))
        pattern = replace(pattern, indptr=pattern.indptr.astype(np.int32))
        for backend in available():
            if backend == "superlu" and size > LARGEST_SUPERLU:
                continue
            rows.append({"elements": size, **measure(pattern, data, backend, options.threads)})
    if options.json:
        print(json.dumps({"degree": options.degree, "threads": options.threads, "rows": rows}))
        return
    print(f"degree {options.degree}, threads {options.threads}, milliseconds")
    print("elements  equations  backend        analyse   factor   solve  10 sides  residual")
    for row in rows:
        times = [1e3 * row[key] for key in ("analyse_s", "factor_s", "solve_s", "solve_10_s")]
        print(
            f"{row['elements']:8d} {row['equations']:10d}  {row['backend']:13s}"
            f"{times[0]:9.1f}{times[1]:9.1f}{times[2]:8.2f}{times[3]:10.1f}"
            f"{row['relative_residual']:10.1e}"
        )


if __name__ == "__main__":
    main()
