"""Statistics of studies against published examples and exact cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from simkit.study.conclusions import paired, sensitivities, t_interval, wilson


def rows_of(a: list[float], b: list[float]) -> list[dict[str, str]]:
    return [{"strategy": name, "case": str(k), "status": "done", "steps_fine": str(value)}
            for name, values in (("A", a), ("B", b)) for k, value in enumerate(values)]


def test_paired_difference_of_the_sleep_data() -> None:
    # Student 1908, ten patients, extra hours of sleep by two drugs; mean difference 1.58, standard
    # deviation 1.23, t = 4.06 (from memory; standard textbook example)
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    found = paired(rows_of(two, one), "A", "B", "steps_fine", ["case"])
    assert found.mean == pytest.approx(1.58, abs=0.005)
    assert found.spread == pytest.approx(1.23, abs=0.005)
    assert found.low == pytest.approx(0.70, abs=0.01)
    assert found.high == pytest.approx(2.46, abs=0.01)
    assert "B needs less" in found.sentence()


def test_no_difference_is_not_called_one() -> None:
    found = paired(rows_of([1.0, 3.0, 2.0, 4.0], [2.0, 2.0, 3.0, 3.0]), "A", "B", "steps_fine",
                   ["case"])
    assert found.mean == 0.0
    assert "no difference is shown" in found.sentence()


def test_a_stage_that_was_not_reached_makes_no_pair() -> None:
    rows = rows_of([1.0, 2.0, 3.0], [2.0, 3.0, 4.0])
    rows[2]["steps_fine"] = ""
    found = paired(rows, "A", "B", "steps_fine", ["case"])
    assert (found.pairs, found.only_a, found.only_b) == (2, 0, 1)


def test_wilson_interval_of_a_published_example() -> None:
    # 8 of 10: (0.490, 0.943), Wilson's score interval; textbook value from memory
    low, high = wilson(0.8, 10)
    assert low == pytest.approx(0.490, abs=0.001)
    assert high == pytest.approx(0.943, abs=0.001)


def test_student_interval_covers_as_often_as_it_says() -> None:
    # definition of a confidence interval, on normal samples of 8
    rng = np.random.default_rng(3)
    hits = [low <= 0.0 <= high for low, high in
            (t_interval(rng.standard_normal(8)) for _ in range(4000))]
    assert np.mean(hits) == pytest.approx(0.95, abs=0.012)


def test_sobol_indices_of_the_ishigami_function() -> None:
    # Ishigami and Homma 1990, a = 7, b = 0.1: S = 0.314, 0.442, 0; total 0.558, 0.442, 0.244
    # (values as in the documentation of scipy.stats.sobol_indices)
    count = 4096
    both = qmc.Sobol(6, rng=np.random.default_rng(1)).random(count)
    a, b = both[:, :3], both[:, 3:]
    points = [a, b]
    for column in range(3):
        mixed = a.copy()
        mixed[:, column] = b[:, column]
        points.append(mixed)
    x = (np.concatenate(points) * 2.0 - 1.0) * np.pi
    f = np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])
    found = sensitivities(f, ["a", "b", "c"], count)
    assert [first for _, first, _ in found] == pytest.approx([0.314, 0.442, 0.0], abs=0.02)
    assert [total for _, _, total in found] == pytest.approx([0.558, 0.442, 0.244], abs=0.02)
