"""The structure itself: no cycle of rooms, a purpose for each, a compiler that is known to work."""

from __future__ import annotations

import sys
import tomllib
from collections import Counter

import house_lint as lint
import numba
import pytest

sys.path.insert(0, str(lint.ROOT / "benchmarks"))

import structure


def test_no_room_imports_itself_through_others() -> None:
    assert structure.cycle(structure.imports()) == []


def test_a_cycle_would_be_found() -> None:
    arrows = Counter({("a", "b"): 1, ("b", "c"): 1, ("c", "a"): 1, ("d", "a"): 1})
    assert structure.cycle(arrows) == ["a", "b", "c", "a"]


@pytest.mark.parametrize("room", [room for rooms in structure.floors() for room in rooms])
def test_every_room_states_its_purpose(room: str) -> None:
    assert 10 < len(structure.purpose(room)) < 160


def test_the_compiler_is_one_that_the_kernels_were_tried_with() -> None:
    data = tomllib.loads((lint.ROOT / "pyproject.toml").read_text("utf-8"))
    bound = next(word for word in data["project"]["dependencies"] if word.startswith("numba"))
    assert "<" in bound, "kernels use compiler internals: numba needs an upper bound"
    most = tuple(int(part) for part in bound.split("<")[1].split("."))
    found = tuple(int(part) for part in numba.__version__.split(".")[:2])
    assert found < most, (
        f"numba {numba.__version__} is beyond {bound}: run the tests of simkit/kernels and "
        "simkit/shell with it, then raise the bound")
