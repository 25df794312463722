"""Floating-point operations of a kernel, counted by running it on numbers that count.

numba's compiler is switched off (NUMBA_DISABLE_JIT=1, so in a process of its own), the kernel's
float arguments become objects that count every addition, multiplication, division, root and power
done with them, and the kernel runs as the plain Python it is written in. The counts are those of
the source: what a compiler adds (wasted lanes, values computed twice) or saves is not in them.
A change of sign, a comparison and an absolute value count nothing. Operations on vectors of eight
(simkit.kernels.simd) are done here number by number, so lanes that idle count as well; loads
and stores of such vectors are counted beside, as load8 and store8.

`count(...)` is called from another process: it stores the arguments, starts this file, and reads
the counts.
"""

from __future__ import annotations

import importlib
import json
import math
import operator
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

DONE: Counter[str] = Counter()


def _value(other: Any) -> float:
    return other.v if isinstance(other, Number) else float(other)


class Number:
    """A float that counts what is done with it."""

    __array_ufunc__ = None
    __slots__ = ("v",)

    def __init__(self, v: Any) -> None:
        self.v = _value(v)

    def __add__(self, other: Any) -> Number:
        DONE["add"] += 1
        return Number(self.v + _value(other))

    def __sub__(self, other: Any) -> Number:
        DONE["add"] += 1
        return Number(self.v - _value(other))

    def __rsub__(self, other: Any) -> Number:
        DONE["add"] += 1
        return Number(_value(other) - self.v)

    def __mul__(self, other: Any) -> Number:
        DONE["multiply"] += 1
        return Number(self.v * _value(other))

    def __truediv__(self, other: Any) -> Number:
        DONE["divide"] += 1
        return Number(self.v / _value(other))

    def __rtruediv__(self, other: Any) -> Number:
        DONE["divide"] += 1
        return Number(_value(other) / self.v)

    def __pow__(self, other: Any) -> Number:
        DONE["multiply" if _value(other) == 2.0 else "power"] += 1
        return Number(self.v ** _value(other))

    def __neg__(self) -> Number:
        return Number(-self.v)

    def __abs__(self) -> Number:
        return Number(abs(self.v))

    def __float__(self) -> float:
        return self.v

    def __int__(self) -> int:
        return int(self.v)

    def __lt__(self, other: Any) -> bool:
        return self.v < _value(other)

    def __le__(self, other: Any) -> bool:
        return self.v <= _value(other)

    def __gt__(self, other: Any) -> bool:
        return self.v > _value(other)

    def __ge__(self, other: Any) -> bool:
        return self.v >= _value(other)

    def __eq__(self, other: object) -> bool:
        return self.v == _value(other)

    def __ne__(self, other: object) -> bool:
        return self.v != _value(other)

    __radd__, __rmul__ = __add__, __mul__
    __hash__ = None  # type: ignore[assignment]


def _function(name: str, kind: str) -> Any:
    def call(x: Any) -> Number:
        DONE[kind] += 1
        return Number(getattr(math, name)(_value(x)))

    return call


FUNCTIONS = {name: _function(name, "root" if name == "sqrt" else "power")
             for name in ("sqrt", "log", "log1p", "exp", "atanh")}


class _Numpy:
    """numpy as kernels use it, with arrays that hold counting numbers."""

    @staticmethod
    def empty(shape: Any, dtype: Any = float) -> np.ndarray:
        return np.zeros(shape, object if dtype is float else dtype)

    zeros = empty

    @staticmethod
    def zeros_like(other: np.ndarray) -> np.ndarray:
        return np.zeros(other.shape, other.dtype)

    def __getattr__(self, name: str) -> Any:
        return FUNCTIONS[name] if name in FUNCTIONS else getattr(np, name)


class Vector:
    """Eight counting numbers."""

    def __init__(self, numbers: Any) -> None:
        self.numbers = list(numbers)

    def _with(self, other: Vector, job: Any) -> Vector:
        return Vector(job(a, b) for a, b in zip(self.numbers, other.numbers, strict=True))

    def __add__(self, other: Vector) -> Vector:
        return self._with(other, operator.add)

    def __sub__(self, other: Vector) -> Vector:
        return self._with(other, operator.sub)

    def __mul__(self, other: Vector) -> Vector:
        return self._with(other, operator.mul)

    def __truediv__(self, other: Vector) -> Vector:
        return self._with(other, operator.truediv)


class Place:
    """An address: an array of counting numbers and an index into it."""

    def __init__(self, array: np.ndarray, index: int = 0) -> None:
        self.array, self.index = array, index

    def __add__(self, other: int) -> Place:
        if other % 8:
            raise ValueError("an address between two numbers")
        return Place(self.array, self.index + int(other) // 8)

    __radd__ = __add__

    def read(self) -> Vector:
        """The eight numbers here."""
        DONE["load8"] += 1
        return Vector(Number(v) for v in self.array[self.index:self.index + 8])

    def write(self, value: Vector) -> None:
        """Put eight numbers here."""
        DONE["store8"] += 1
        self.array[self.index:self.index + 8] = value.numbers


def _exponent(x: Any) -> int:
    """k of x = 2^k m, m from the root of one half to that of two."""
    m, k = math.frexp(float(x))
    return k - 1 if m < math.sqrt(0.5) else k


def _count_up(board: np.ndarray, place: int, count: int) -> int:
    """What a counter of a board was, -1 from count on; there is one thread."""
    board[place] += 1
    return int(board[place]) - 1 if board[place] <= count else -1


def _products(base: Place, pairs: list[tuple[int, int]]) -> Vector:
    """Sum of products of rows given by pairs of their numbers."""
    terms = [(base + 64 * a).read() * (base + 64 * b).read() for a, b in pairs]
    return terms[0] + terms[1] + terms[2]


def _series(y: Vector, coefficients: tuple) -> Vector:
    """c0 + y (c1 + y (c2 + ...))."""
    terms = [Vector([Number(c)] * 8) for c in coefficients]
    total = terms.pop()
    for term in reversed(terms):
        total = term + y * total
    return total


def _transpose(source: Place, to: Place, step: int) -> None:
    """The columns of eight rows, ``step`` bytes apart."""
    rows = [(source + 64 * r).read().numbers for r in range(8)]
    for r in range(8):
        (to + step * r).write(Vector(row[r] for row in rows))


ONE, ZERO = Number(1.0), Number(0.0)
VECTORS = {
    "address": lambda array: Place(array.reshape(-1)),
    "load8": lambda place: place.read(),
    "store8": lambda place, value: place.write(value),
    "load": lambda base, number: (base + 64 * number).read(),
    "store": lambda base, number, value: (base + 64 * number).write(value),
    "broadcast8": lambda value: Vector([Number(value)] * 8),
    "sqrt8": lambda a: Vector(FUNCTIONS["sqrt"](v) for v in a.numbers),
    "exceeds8": lambda a, b: a._with(b, lambda x, y: ZERO if x <= y else ONE),
    "max8": lambda a, b: a._with(b, lambda x, y: x if x >= y else y),
    "max_abs8": lambda a, b: a._with(b, lambda x, y: max(abs(x), y)),
    "broadcast_load8": lambda place: Vector([Number(place.array[place.index])] * 8),
    "prefetch": lambda place: None,
    "any8": lambda a: any(v != 0.0 for v in a.numbers),
    "select8": lambda which, a, b: Vector(
        x if w != 0.0 else y
        for w, x, y in zip(which.numbers, a.numbers, b.numbers, strict=True)),
    "gather8": lambda place, at: Vector(
        Number(place.array[place.index + int(k)]) for k in at.numbers),
    "load_int": lambda place: int(place.array[place.index]),
    "round8": lambda a: Vector(Number(round(float(v))) for v in a.numbers),
    "exponent8": lambda a: Vector(Number(_exponent(v)) for v in a.numbers),
    "ldexp8": lambda a, k: a._with(k, lambda x, n: Number(math.ldexp(float(x), int(n)))),
    "transpose8": _transpose,
    "take_group": lambda board, stage, count: _count_up(board, 24 * stage, count),
    "finish_group": lambda board, stage, count: (
        _count_up(board, 24 * stage + 8, count) == count - 1),
    "release_stage": lambda board, stage, sign: None,
    "wait_for_stage": lambda board, stage: 1,
    "strided_dot": lambda base, a, step, b, stride: _products(
        base, [(a + k * step, b + k * stride) for k in range(3)]),
    "dot": lambda base, a, b: _products(base, [(a + k, b + k) for k in range(3)]),
    "symmetric_row_dot": lambda base, at, r, b, step: _products(
        base, [(at + ((0, 1, 2), (1, 3, 4), (2, 4, 5))[r][k], b + k * step) for k in range(3)]),
    "polynomial8": _series,
}
"""What stands for the vector operations that the kernels of the sheet use."""


def counting(array: np.ndarray) -> np.ndarray:
    """The array with counting numbers instead of floats; other arrays as they are."""
    if array.dtype != np.float64:
        return array
    objects = np.empty(array.shape, object)
    objects.ravel()[:] = [Number(v) for v in array.ravel()]
    return objects


def _saved(path: Path, value: Any) -> str:
    """Keep an argument in a file; its kind."""
    np.save(path, np.asarray(value))
    return "array" if isinstance(value, np.ndarray) else type(value).__name__


def _loaded(path: Path, kind: str) -> Any:
    """What :func:`_saved` kept, arrays with counting numbers."""
    value = np.load(path)
    return counting(value) if kind == "array" else value.item()


def count(module: str, function: str, arguments: tuple, helpers: tuple[str, ...] = ()
          ) -> dict[str, int]:
    """Operations of one call of module.function; ``helpers`` are modules it calls into."""
    with tempfile.TemporaryDirectory() as folder:
        names: dict[int, Any] = {}
        for k, value in enumerate(arguments):
            if hasattr(value, "_fields"):
                kind = type(value)
                names[k] = [kind.__module__, kind.__name__, *(
                    _saved(Path(folder) / f"{k}-{m}.npy", part) for m, part in enumerate(value))]
            else:
                names[k] = _saved(Path(folder) / f"{k}.npy", value)
        task = {"module": module, "function": function, "kinds": list(names.values()),
                "helpers": list(helpers)}
        (Path(folder) / "task.json").write_text(json.dumps(task))
        done = subprocess.run([sys.executable, __file__, folder], capture_output=True, text=True,
                              check=False, env={**os.environ, "NUMBA_DISABLE_JIT": "1"})
    if done.returncode:
        raise RuntimeError(f"counting {function} failed: {done.stderr[-2000:]}")
    return json.loads(done.stdout.strip().splitlines()[-1])


def run(folder: Path) -> dict[str, int]:
    """Count in this process, whose numba is switched off."""
    task = json.loads((folder / "task.json").read_text())
    arguments = []
    for k, kind in enumerate(task["kinds"]):
        if isinstance(kind, list):
            record = getattr(importlib.import_module(kind[0]), kind[1])
            arguments.append(record(*(_loaded(folder / f"{k}-{m}.npy", part)
                                      for m, part in enumerate(kind[2:]))))
        else:
            arguments.append(_loaded(folder / f"{k}.npy", kind))
    module = importlib.import_module(task["module"])
    functions = SimpleNamespace(**FUNCTIONS, inf=math.inf, pi=math.pi)
    for name in (task["module"], *task["helpers"]):
        part = importlib.import_module(name)
        for word, replacement in (("np", _Numpy()), ("math", functions), *VECTORS.items()):
            if hasattr(part, word):
                setattr(part, word, replacement)
    getattr(module, task["function"])(*arguments)
    return dict(DONE)


if __name__ == "__main__":
    print(json.dumps(run(Path(sys.argv[1]))))
