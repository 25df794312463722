"""Linear solvers against LAPACK's dense solution and eigenvalues (numpy), and each other."""

from __future__ import annotations

import importlib.util
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp

from simkit.errors import InputError
from simkit.kernels.teamwork import Team, take_group, wait_for_stage
from simkit.solve.linear import Pattern, SingularMatrix, available, make_solver
from simkit.solve.linear.multifrontal import MultifrontalLDL

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "linear_solvers.py"
SPEC = importlib.util.spec_from_file_location("linear_solvers", SCRIPT)
assert SPEC is not None
assert SPEC.loader is not None
bench = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(bench)

SOLVERS = [(name, 1) for name in available()] + [("multifrontal", 2), ("multifrontal", 3)]
GRIDS = {"quadratic": ((17, 13), 2), "cubic": ((14, 11), 3)}


def merged(matrix, coords, degree):
    """Join the two edges x = 0 and x = end, and two far points, as symmetric edges may do."""
    n = coords.shape[0]
    target = np.arange(n)
    number = {tuple(c): i for i, c in reversed(list(enumerate(coords)))}
    end = coords[:, 0].max()
    for i, (x, y) in enumerate(coords):
        if x == end:
            target[i] = number[(coords[:, 0].min(), y)] + i % 3
    target[3 * (n // 6)] = 1
    kept, column = np.unique(target, return_inverse=True)
    join = sp.csr_matrix((np.ones(n), (np.arange(n), column)), shape=(n, kept.size))
    ones = matrix.copy()
    ones.data = np.ones_like(ones.data)
    pattern = (join.T @ ones @ join).tocoo()
    value = (join.T @ matrix @ join).tocoo()
    rows, columns = np.append(value.row, pattern.row), np.append(value.col, pattern.col)
    data = np.append(value.data, np.zeros(pattern.nnz))
    return sp.csr_matrix((data, (rows, columns)), shape=pattern.shape), coords[kept]


def removed(matrix, coords, degree):
    """Drop single equations here and there, and a square hole."""
    hole = ((coords >= 5) & (coords <= 7)).all(axis=1)
    keep = np.flatnonzero(~hole & (np.arange(coords.shape[0]) % 17 != 3))
    return matrix[keep][:, keep], coords[keep]


def plain(matrix, coords, degree):
    """Leave the grid as it is."""
    return matrix, coords


def case(grid, change, shift):
    """Return pattern, values and the dense matrix; a shift of the diagonal makes it indefinite."""
    elements, degree = GRIDS[grid]
    matrix, coords = change(*bench.clamped(*bench.shallow_shell(elements, degree)), degree)
    if shift:
        # Between the 40th and 41st eigenvalue, far from both.
        values = np.linalg.eigvalsh(matrix.toarray())
        matrix = matrix - 0.5 * (values[39] + values[40]) * sp.eye(matrix.shape[0], format="csr")
        stored = bench.upper_triangle(change(*bench.clamped(
            *bench.shallow_shell(elements, degree)), degree)[0], coords)[0]
        rows = np.repeat(np.arange(stored.n), np.diff(stored.indptr))
        dense = matrix.toarray()
        return stored, dense[rows, stored.indices], dense
    pattern, data = bench.upper_triangle(matrix, coords)
    return pattern, data, matrix.toarray()


@pytest.fixture(scope="module", params=[
    (grid, change, shift)
    for grid in GRIDS for change in (plain, removed, merged) for shift in (False, True)
], ids=lambda p: f"{p[0]}-{p[1].__name__}-{'indefinite' if p[2] else 'definite'}")
def system(request):
    """A small grid with its dense counterpart."""
    return case(*request.param)


@pytest.mark.parametrize(("name", "threads"), SOLVERS)
def test_solution_and_inertia_equal_lapack(system, name, threads):
    """Truth: numpy.linalg.solve and eigvalsh (LAPACK)."""
    pattern, data, dense = system
    b = np.random.default_rng(3).standard_normal((pattern.n, 3))
    solver = make_solver(pattern, name, threads)
    solver.factor(data)
    x = solver.solve(b)
    reference = np.linalg.solve(dense, b)
    assert np.abs(dense @ x - b).max() <= 1e-10 * np.abs(b).max()
    assert np.abs(x - reference).max() <= 1e-8 * np.abs(reference).max()
    assert np.array_equal(solver.solve(b[:, 0]).shape, (pattern.n,))
    negative = int((np.linalg.eigvalsh(dense) < 0.0).sum())
    assert solver.negative_pivots in ((negative, None) if name == "superlu" else (negative,))


@pytest.mark.parametrize(("name", "threads"), SOLVERS)
def test_one_right_side_equals_its_column(system, name, threads):
    """One and several right-hand sides run through different code and must agree."""
    pattern, data, _ = system
    solver = make_solver(pattern, name, threads)
    solver.factor(data)
    b = np.random.default_rng(4).standard_normal((pattern.n, 2))
    both = solver.solve(b)
    for k in range(2):
        np.testing.assert_allclose(solver.solve(b[:, k]), both[:, k], rtol=0,
                                   atol=1e-8 * np.abs(both[:, k]).max())


@pytest.mark.parametrize("seed", range(6))
def test_any_pattern_with_any_coordinates(seed):
    """Random sparse matrices whose coordinates say nothing true. Truth: LAPACK."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 300))
    part = sp.random(n, n, 0.02, random_state=seed, format="csr")
    matrix = (part + part.T + sp.diags(rng.choice([-9.0, 9.0], n))).tocsr()
    pattern, data = bench.upper_triangle(matrix, rng.integers(-5, 9, (n, 2)))
    solver = MultifrontalLDL(pattern, threads=1 + seed % 3, leaf=7)
    solver.factor(data)
    b = rng.standard_normal(n)
    np.testing.assert_allclose(solver.solve(b), np.linalg.solve(matrix.toarray(), b), atol=1e-9)
    assert solver.negative_pivots == (np.linalg.eigvalsh(matrix.toarray()) < 0.0).sum()


def test_backends_agree_on_a_larger_grid():
    """40 x 40 elements; every backend within 1e-8 of SuperLU."""
    pattern, data = bench.upper_triangle(*bench.clamped(*bench.shallow_shell((40, 40), 2)))
    b = np.zeros(pattern.n)
    b[3 * (pattern.n // 6) + 2] = 1.0  # one normal force near the middle
    solutions = {}
    for name in available():
        solver = make_solver(pattern, name)
        solver.factor(data)
        solutions[name] = solver.solve(b)
    reference = solutions.pop("superlu")
    for name, x in solutions.items():
        assert np.abs(x - reference).max() <= 1e-8 * np.abs(reference).max(), name


@pytest.mark.parametrize("threads", [1, 2])
def test_same_bits_on_two_runs(system, threads):
    """Two solvers, and one solver twice, give identical bits."""
    pattern, data, _ = system
    b = np.random.default_rng(5).standard_normal(pattern.n)
    results = []
    for solver in (MultifrontalLDL(pattern, threads), MultifrontalLDL(pattern, threads)):
        for values in (data, data * 2.0, data):
            solver.factor(values)
        results += [solver.solve(b), solver.solve(b)]
    assert all(np.array_equal(results[0], other) for other in results[1:])


def test_any_number_of_threads_gives_the_same_bits():
    """Sums are taken in an order that the tree alone decides; one side and several."""
    pattern, data = bench.upper_triangle(*bench.clamped(*bench.shallow_shell((40, 40), 2)))
    b = np.random.default_rng(7).standard_normal((pattern.n, 11))
    found = []
    for threads in (1, 2, 3):
        solver = MultifrontalLDL(pattern, threads)
        assert solver._plan.stage_ptr.size - 1 > 2
        assert np.diff(solver._plan.stage_ptr).max() >= 2 * threads
        solver.factor(data)
        found.append((solver._numbers.d.tobytes(), solver.solve(b).tobytes(),
                      solver.solve(b[:, 0])))
    for d, many, one in found[1:]:
        assert (d, many) == found[0][:2]
        assert np.array_equal(one, found[0][2])


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("named", [False, True])
def test_changed_branches_alone_give_the_bits_of_a_full_factorisation(threads, named):
    """A patch in a corner changes; fewer blocks are worked on, the solution is the same."""
    pattern, data = bench.upper_triangle(*bench.clamped(*bench.shallow_shell((40, 40), 2)))
    rows = np.repeat(np.arange(pattern.n), np.diff(pattern.indptr))
    rng = np.random.default_rng(6)
    b = rng.standard_normal(pattern.n)
    solver = MultifrontalLDL(pattern, threads)
    solver.factor(data)
    for corner in ((4, 5), (30, 8), (18, 33)):
        near = (np.abs(pattern.coords - corner) <= 3).all(axis=1)
        new = data.copy()
        new[near[rows] & near[pattern.indices]] *= 1.3
        hint = np.flatnonzero(near) if named else None
        solver.factor(new, changed=hint)
        assert 0 < solver.recomputed < 0.7 * solver.supernodes
        fresh = MultifrontalLDL(pattern, threads)
        fresh.factor(new)
        assert fresh.recomputed == fresh.supernodes
        assert np.array_equal(solver.solve(b), fresh.solve(b))
        solver.factor(data, changed=hint)
    solver.factor(data)
    assert solver.recomputed == 0


def test_what_proves_factors():
    """A good solution does; sides of zeros and factors with lifted pivots do not."""
    pattern, data = bench.upper_triangle(*bench.clamped(*bench.shallow_shell((8, 8), 2)))
    solver = MultifrontalLDL(pattern)
    solver.factor(data)
    solver.solve(np.zeros(pattern.n))
    solver.solve(np.zeros((pattern.n, 2)))
    assert np.isinf(solver._residual)
    solver.solve(np.ones(pattern.n))
    assert 1e-10 < solver._residual < 1e-4  # single precision
    with pytest.raises(SingularMatrix, match="finite"):
        solver.solve(np.full(pattern.n, np.nan))
    lifted = MultifrontalLDL(*small([[0.0, 1.0], [1.0, 0.0]])[:1], perturb=True)
    lifted.factor(np.array([0.0, 1.0, 0.0]))
    lifted.solve(np.array([3.0, 5.0]))
    assert lifted.perturbed
    assert np.isinf(lifted._residual)


@pytest.mark.parametrize(("stiff", "after"), [(10**5, np.float32), (4 * 10**6, np.float64)])
def test_single_precision_is_refined_and_left_where_it_does_not_do(stiff, after):
    """Stiff springs between neighbours, each on a support of 1: refined, or factored once more.

    Truth: the same springs solved in rational numbers (force 1 at one end).
    """
    n = 40
    exact = [[Fraction(int(i == j)) for j in range(n)] for i in range(n)]
    for i in range(n - 1):
        for p, q, sign in ((i, i, 1), (i + 1, i + 1, 1), (i, i + 1, -1), (i + 1, i, -1)):
            exact[p][q] += sign * stiff
    force = [Fraction(int(i == 0)) for i in range(n)]
    truth = np.array([float(v) for v in solved_exactly(exact, force)])
    pattern, data = small(np.array(exact, dtype=float))
    solver, b = MultifrontalLDL(pattern), np.array(force, dtype=float)
    solver.factor(data)
    assert solver.precision is np.float32
    np.testing.assert_allclose(solver.solve(b), truth, rtol=1e-8)
    assert solver.precision is after
    solver.factor(2.0 * data)
    assert solver.precision is after
    both = solver.solve(np.column_stack([b, 2.0 * b]))
    np.testing.assert_allclose(both[:, 1], truth, rtol=1e-8)


def test_a_singular_matrix_does_not_change_the_precision():
    """Neither precision can solve it; the next matrix begins in single precision again."""
    pattern, data = small([[1.0, 1.0 + 1e-9], [1.0 + 1e-9, 1.0]])
    solver = MultifrontalLDL(pattern)
    with pytest.raises(SingularMatrix):
        solver.factor(np.ones(3))
    assert solver.precision is np.float32
    solver.factor(data + np.array([1.0, 0.0, 1.0]))
    np.testing.assert_allclose(solver.solve(np.ones(2)), [1 / 3, 1 / 3], rtol=1e-8)
    assert solver.precision is np.float32
    assert np.abs(solver.solve(np.ones(2), 1e-3) - 1 / 3).max() < 1e-6


def solved_exactly(matrix, right):
    """Gauss's elimination in rational numbers."""
    rows = [[*row, b] for row, b in zip(matrix, right, strict=True)]
    for k in range(len(rows)):
        for i in range(k + 1, len(rows)):
            if rows[i][k]:
                factor = rows[i][k] / rows[k][k]
                rows[i] = [a - factor * b for a, b in zip(rows[i], rows[k], strict=True)]
    solution = [Fraction(0)] * len(rows)
    for k in reversed(range(len(rows))):
        rest = rows[k][-1] - sum(a * v for a, v in zip(rows[k][:-1], solution, strict=True))
        solution[k] = rest / rows[k][k]
    return solution


@pytest.mark.parametrize("threads", [1, 2])
def test_an_error_of_one_thread_ends_the_work_of_all(threads):
    """Nobody waits for a group whose thread has failed."""
    def job(board, thread):
        for stage in (0, 1):
            while take_group(board, stage, 5) >= 0:
                raise MemoryError
            wait_for_stage(board, stage)

    with pytest.raises(MemoryError):
        Team(threads).run(2, job)


def test_symbolic_work_is_that_of_nested_dissection():
    """Doubling the grid multiplies the work by about 8, the factor's size by about 4 log.

    George 1973: operations O(n^3), storage O(n^2 log n) for an n x n grid (MEMORY).
    """
    work, size = [], []
    for elements in (20, 40):
        pattern, _ = bench.upper_triangle(*bench.clamped(
            *bench.shallow_shell((elements, elements), 2)))
        tree = MultifrontalLDL(pattern)._tree
        work.append(tree.work().sum())
        size.append(tree.panel_ptr[-1])
    assert work[1] / work[0] < 12.0
    assert size[1] / size[0] < 6.5


def small(dense):
    """Return pattern and values of a small dense symmetric matrix."""
    dense = np.asarray(dense, dtype=float)
    i, j = np.triu_indices(dense.shape[0])
    matrix = sp.csr_matrix((dense[i, j], (i, j)), shape=dense.shape)
    return bench.upper_triangle(matrix, np.zeros((dense.shape[0], 2), int))


@pytest.mark.parametrize("name", available())
@pytest.mark.parametrize("dense", [
    [[1.0, 2.0], [2.0, 4.0]],
    [[0.0, 0.0], [0.0, 1.0]],
    [[1.0, np.nan], [np.nan, 1.0]],
    [[1.0, 0.0], [0.0, np.inf]],
], ids=["rank one", "zero row", "nan", "infinite"])
def test_singular_matrix_is_refused_and_the_next_one_solved(name, dense):
    """A breakdown raises, leaves nothing to solve with, and does not spoil the solver."""
    pattern, data = small(dense)
    solver = make_solver(pattern, name)
    solver.factor(np.array([2.0, 1.0, 2.0]))
    with pytest.raises(SingularMatrix):
        solver.factor(data)
    with pytest.raises(SingularMatrix, match="no factorisation"):
        solver.solve(np.ones(2))
    assert solver.negative_pivots is None
    solver.factor(np.array([2.0, 1.0, 2.0]))
    np.testing.assert_allclose(solver.solve(np.ones(2)), [1 / 3, 1 / 3])


def test_zero_pivot_of_a_regular_matrix():
    """[[0, 1], [1, 0]] has eigenvalues -1 and 1: refused as it stands, solved when lifted."""
    pattern, data = small([[0.0, 1.0], [1.0, 0.0]])
    with pytest.raises(SingularMatrix, match="equation 0"):
        MultifrontalLDL(pattern).factor(data)
    solver = MultifrontalLDL(pattern, perturb=True)
    solver.factor(data)
    assert (solver.perturbed, solver.negative_pivots) == (1, 1)
    np.testing.assert_allclose(solver.solve(np.array([3.0, 5.0])), [5.0, 3.0], rtol=1e-9)


@pytest.mark.parametrize("name", available())
def test_free_shell_is_singular(name):
    """Without supports a flat sheet's rigid motions cost nothing: no solution is returned."""
    matrix, coords = bench.shallow_shell((10, 10), 2)
    # A shift in x alone leaves a shallow shell unstrained, so its stiffness is singular.
    shift = np.tile([1.0, 0.0, 0.0], coords.shape[0] // 3)
    assert np.abs(matrix @ shift).max() <= 1e-9 * np.abs(matrix.data).max()
    pattern, data = bench.upper_triangle(matrix, coords)
    solver = make_solver(pattern, name)

    def attempt():
        solver.factor(data)
        return solver.solve(np.random.default_rng(0).standard_normal(pattern.n))

    with pytest.raises(SingularMatrix):
        attempt()


def test_environment_chooses_and_wrong_names_are_refused(monkeypatch):
    """SIMKIT_SOLVER overrides 'auto' only."""
    pattern, _ = small([[2.0, 1.0], [1.0, 2.0]])
    monkeypatch.delenv("SIMKIT_SOLVER", raising=False)
    assert make_solver(pattern).name == "multifrontal"
    monkeypatch.setenv("SIMKIT_SOLVER", "superlu")
    assert make_solver(pattern).name == "superlu"
    assert make_solver(pattern, "multifrontal").name == "multifrontal"
    monkeypatch.setenv("SIMKIT_SOLVER", "abacus")
    with pytest.raises(InputError, match=r"SIMKIT_SOLVER.*abacus"):
        make_solver(pattern)
    with pytest.raises(InputError, match="threads"):
        make_solver(pattern, "multifrontal", threads=0)


@pytest.mark.parametrize(("indptr", "indices"), [
    ([0, 2, 3], [1, 0, 1]), ([0, 1, 1], [0]), ([0, 1, 3], [0, 0, 1]), ([0, 3, 4], [0, 1, 2, 1]),
])
def test_wrong_pattern_is_refused(indptr, indices):
    """Unsorted, without a diagonal, below it, out of range."""
    with pytest.raises(ValueError, match="row"):
        Pattern(2, np.array(indptr), np.array(indices), np.zeros((2, 2), int))


def test_wrong_shapes_are_refused():
    """Values and right-hand sides of another length."""
    pattern, data = small([[2.0, 1.0], [1.0, 2.0]])
    solver = make_solver(pattern)
    with pytest.raises(ValueError, match="shape"):
        solver.factor(data[:-1])
    solver.factor(data)
    with pytest.raises(ValueError, match="2 rows"):
        solver.solve(np.ones(3))
