"""The measuring itself: operations counted, growth fitted, the page of results up to date."""

from __future__ import annotations

import importlib.util
import re
import sys
from types import SimpleNamespace

import house_lint as lint
import numpy as np
import pytest

sys.path.insert(0, str(lint.ROOT / "benchmarks"))

import counting
import roofline
import sizes
import summary


def test_operations_of_a_kernel_are_counted_as_by_hand():
    """`dual_base`, counted by hand in its source: metric, cross product, inverse, curvature."""
    rng = np.random.default_rng(1)
    arguments = (rng.random((6, 3)), np.zeros(3), np.zeros((2, 3)), np.zeros(3))
    found = counting.count("simkit.shell.kernels", "dual_base", arguments)
    assert found == {"multiply": 9 + 6 + 2 + 12 + 9, "add": 9 + 3 + 1 + 6 + 6, "divide": 3 + 3,
                     "root": 1}


@pytest.mark.parametrize(("pivots", "border"), [(1, 0), (5, 0), (3, 4), (8, 20)])
def test_operations_of_a_front_are_those_of_its_elimination(pivots, border):
    """The formula against an elimination of a dense front, operation by operation."""
    size = pivots + border
    flops = numbers = 0
    for k in range(pivots):
        below = size - k - 1
        numbers += 1 + below
        flops += below  # divisions
        for i in range(below):
            flops += 2 * (i + 1)  # a multiplication and an addition along each row
    tree = SimpleNamespace(pivots=np.array([pivots]), borders=np.array([border]))
    found = roofline.block_numbers(tree)
    assert found == (flops, numbers, border * (border + 1) // 2)


def test_growth_is_the_exponent_of_the_equations():
    rows = [{"elements": n, "equations": 3 * n * n, "cost": 7.0 * (3.0 * n * n) ** 1.25,
             "shares": {"solve": 0.5}} for n in (64, 128, 192)]
    rows.append({"elements": 32, "equations": 3072, "cost": 1e9, "shares": {"solve": 0.5}})
    assert sizes.exponent(rows, "cost") == pytest.approx(1.25)
    assert sizes.exponent(rows, "cost", "solve") == pytest.approx(1.25)


def test_the_pages_of_results_are_those_of_the_stored_ones():
    pages = summary.pages()
    assert len(pages) > 3
    stale = [file.name for file, text in pages.items()
             if file.read_text(encoding="utf-8") != text]
    assert stale == []


def test_modules_that_benchmarks_name_exist():
    """Names in strings are imported late, so a module that moved would be missed by the linters."""
    named = {(file.name, name) for file in (lint.ROOT / "benchmarks").glob("*.py")
             for name in re.findall(r"\"(simkit(?:\.[a-z0-9_]+)+)\"", file.read_text("utf-8"))}
    assert any(file == "roofline.py" for file, _ in named)
    named |= {("roofline.py", name) for name in roofline.SHEET}
    missing = [(file, name) for file, name in sorted(named)
               if importlib.util.find_spec(name) is None]
    assert missing == []
