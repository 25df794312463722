"""How near each kernel comes to what the machine can do, for one pull on the reference panel.

Run: python benchmarks/roofline.py [--elements 64] [--picture FILE.png] [--json] [--store]

One pull of one_pull.py is run with its kernels watched: how often each is called in a Newton
iteration, on how many elements. One call of each from the middle of the pull is kept and replayed
alone, best of many. For every kernel are given

- work: floating-point operations of the source, see `work_and_bytes` below: kernels of the sheet
  counted by running them on counting numbers (counting.py) for a sample of the very elements of
  that call, idle lanes included, a division, root or power as one; linear algebra by formulas over
  the blocks;
- bytes: what must come in and go out at least once a call, as if caches held all between (formulas
  in this file); real traffic is larger where the cache is too small;
- the roof: the smaller of the peak of multiply-adds in registers and work / bytes x the triad's
  speed from memory (Williams, Waterman and Patterson 2009, MEMORY), both on one thread, measured by
  peaks.py;
- the share of that roof it reaches. Above 100 % the data came from a cache, not from memory.

The answer is right when the replayed kernels give what they gave in the pull to the last bit, and
the formulas of the factorisation agree with those of the solver's own plan within 2 %.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from common import Stopwatch, arguments, finish, say, watched
from counting import count
from one_pull import dented, panel, pull
from peaks import best, peaks

from simkit.mechanics import sheetwork
from simkit.mechanics.model import Model, State
from simkit.solve.linear.multifrontal import LEAF_EQUATIONS
from simkit.solve.linear.symbolic import Tree, analyse

SAMPLE, ROWS = 12, 3
"""Elements, or rows of bundles, of a call whose operations are counted one by one."""
SHEET = ("simkit.material.j2", "simkit.kernels.powers", "simkit.kernels.vectors",
         *(f"simkit.shell.{part}" for part in ("logstrain", "kernels", "section", "kept")),
         *(f"simkit.shell.bundle.{part}" for part in (
             "elements", "rows", "walk", "surface", "layers", "flow", "tangent")))
COUNTED = ("bundles, forces", "bundles, tangents", "one by one, forces", "one by one, tangents")
SIDES = 7
"""Right-hand sides solved at once, as an example."""
STATE_ROWS, GEO_ROWS, GAUSS = 8, 16, 4


@dataclass
class Kernel:
    """One kernel: calls in a Newton iteration; work, bytes and seconds of one call, replayed alone
    and, where it was watched, on average in the pull."""

    name: str
    calls: float
    flops: float
    bytes: float
    seconds: float
    note: str = ""
    in_pull: float | None = None

    @property
    def gflops(self) -> float:
        """Speed reached, GFlop/s."""
        return self.flops / self.seconds / 1e9

    @property
    def gbytes(self) -> float:
        """Least traffic over time, GB/s."""
        return self.bytes / self.seconds / 1e9

    def roof(self, peak: float, stream: float) -> float:
        """Most it could reach, GFlop/s."""
        return min(peak, self.flops / self.bytes * stream)


class Watched:
    """Kernels of the sheet by name: calls, elements worked on, and one call's arguments."""

    def __init__(self, keep_at: dict[str, int]) -> None:
        self.keep_at = keep_at
        self.calls: dict[str, int] = defaultdict(int)
        self.elements: dict[str, int] = defaultdict(int)
        self.kept: dict[str, tuple] = {}
        self.kernels: dict[str, Any] = {}
        self.seconds: dict[str, list[float]] = defaultdict(list)

    def around(self, kernel: Any) -> Any:
        """The kernel, watched."""
        def call(*words: Any) -> Any:
            name, elements = which(kernel, words)
            self.calls[name] += 1
            self.elements[name] += elements
            self.kernels[name] = kernel
            if self.calls[name] == self.keep_at.get(name):
                self.kept[name] = tuple(copied(word) for word in words)
            start = time.thread_time()  # of the processor: others may be using it
            done = kernel(*words)
            self.seconds[name].append(time.thread_time() - start)
            return done

        return call

    def middle(self) -> dict[str, int]:
        """The call of each kind, from 1, that took the median time."""
        return {name: 1 + int(np.argsort(took)[len(took) // 2])
                for name, took in self.seconds.items()}


def copied(word: Any) -> Any:
    """A copy of an argument: an array, a record of arrays, or a number."""
    if hasattr(word, "_fields"):
        return type(word)(*(copied(part) for part in word))
    return word.copy() if isinstance(word, np.ndarray) else word


def named(kernel: Any, words: tuple) -> dict[str, Any]:
    """Arguments of a call by their names."""
    return dict(zip(kernel.py_func.__code__.co_varnames, words, strict=False))


def which(kernel: Any, words: tuple) -> tuple[str, int]:
    """Name under which a call is counted, and how many elements it works on."""
    name, given = kernel.py_func.__name__, named(kernel, words)
    kind = "tangents" if given.get("tangent") else "forces"
    if name == "assemble":
        return f"one by one, {kind}", int(given["last"] - given["first"])
    if name == "bundle_rows":
        return f"bundles, {kind}", int(np.count_nonzero(given["todo"]))
    first = given.get("points", words[0])
    return name, int(first.shape[0]) if isinstance(first, np.ndarray) else 0


def samples(words: tuple, kernel: Any) -> list[tuple[tuple, int]]:
    """Smaller calls of the same kind, for counting, and how many elements each works on."""
    given, count = named(kernel, words), len(words)
    if kernel.py_func.__name__ == "assemble":
        listed = given["listed"][given["first"]:given["last"]]
        some = listed[np.linspace(0, listed.size - 1, min(SAMPLE, listed.size)).astype(int)]
        given |= {"listed": some, "first": 0, "last": some.size}
        return [(tuple(list(given.values())[:count]), int(some.size))]
    per_row = given["todo"].reshape(-1, given["grid"].count_v).sum(axis=1)
    rows = np.flatnonzero(per_row)
    found = []
    for row in rows[np.linspace(0, rows.size - 1, min(ROWS, rows.size)).astype(int)]:
        strips = given["strips"]._replace(ptr=np.array([row, row + 1]))
        given |= {"strips": strips, "board": given["board"] * 0}
        found.append((tuple(list(given.values())[:count]), int(per_row[row])))
    return found


def operations_each(kernel: Any, words: tuple) -> tuple[float, str]:
    """Operations an element, by counting samples, and their kinds in words."""
    kinds: Counter[str] = Counter()
    elements = 0
    for smaller, number in samples(words, kernel):
        kinds.update(count(kernel.py_func.__module__, kernel.py_func.__name__, smaller, SHEET))
        elements += number
    words_of = ", ".join(f"{kind} {n / elements:.0f}" for kind, n in sorted(kinds.items()))
    moves = kinds.pop("load8", 0) + kinds.pop("store8", 0)
    if moves:
        words_of += f"; {sum(kinds.values()) / 8 / moves:.2f} vector operations a load or store"
    return sum(kinds.values()) / elements, words_of


def sheet_bytes(name: str, model: Model, elements: int) -> float:
    """Least traffic of a call on so many elements; 8 bytes a number.

    Every control point is read once for its place and read and written once for its force (one
    point an element). In bundles: packed geometry and state read; energies, marks and slots. Alone:
    metric, curvature, frame, area, thickness of 4 points; the state read and written. Both write
    the tangents (upper triangle); bundles read the old ones and the places as well, and change
    the matrix. States of yielding elements in bundles are left out: they are few.
    """
    layers = model.layers.heights.size
    state = int(model.virgin().points.shape[-1])
    places = model.layout.places
    nodal = 3 * 8 + 2 * 3 * 8
    tangent = 8 * places.shape[1] if "tangents" in name else 0
    if name.startswith("bundles"):
        if tangent:  # of the matrix a share as large as that of the elements, read and written
            tangent += places.shape[1] * (8 + places.itemsize)
            tangent += 16 * model.layout.indices.size / places.shape[0]
        return elements * (8 * GAUSS * (GEO_ROWS + STATE_ROWS * layers) + nodal + 26 + tangent)
    if name.startswith("one by one"):
        return elements * (8 * GAUSS * (17 + 2 * layers * state) + nodal + 16 + tangent)
    if name == "moved_elements":
        per = model.element_points.shape[1]
        return elements * (per * (3 * 8 + 8) + 3 * 8 + 9)
    return 0.0


def by_formula(name: str, model: Model) -> float | None:
    """Operations of an element where nothing needs counting: additions."""
    per = model.element_points.shape[1]
    return {"moved_elements": 3.0 * 3 * (per - 1)}.get(name)


def pulled(model: Model, state: State) -> tuple[Watched, int, Stopwatch]:
    """One pull with its kernels watched: what was seen, iterations, parts of the time."""
    pull(model, state)
    kernels = {name: value for name, value in vars(sheetwork).items()
               if hasattr(value, "py_func")}
    seen = Watched({})
    for _ in range(2):  # first to find the call of median time of each kind, then to keep it
        seen = Watched(seen.middle())
        with watched(model) as watch:
            for name, kernel in kernels.items():
                setattr(sheetwork, name, seen.around(kernel))
            try:
                pull(model, state)
            finally:
                for name, kernel in kernels.items():
                    setattr(sheetwork, name, kernel)
    return seen, watch.iterations, watch


def again(kernel: Any, words: tuple) -> None:
    """The same call again; what it marks as flowing is unmarked first."""
    given = named(kernel, words)
    if "states" in given:
        given["states"].slot[:] = -1
        given["board"][:] = 0
    kernel(*words)


def sheet_kernels(model: Model, seen: Watched, iterations: int) -> tuple[list[Kernel], bool]:
    """Kernels of the sheet, and whether each gives the same again."""
    rows, same = [], True
    for name, words in seen.kept.items():
        kernel = seen.kernels[name]
        elements = which(kernel, words)[1]
        each, note = by_formula(name, model), ""
        if each is None and name not in COUNTED:
            continue
        if each is None:
            each, note = operations_each(kernel, words)
        outs = [tuple(w.copy() if isinstance(w, np.ndarray) else w for w in words)
                for _ in range(2)]
        for out in outs:
            kernel(*out)
        same &= all(np.array_equal(a, b, equal_nan=True) for a, b in zip(*outs, strict=True)
                    if isinstance(a, np.ndarray))
        seconds = best(lambda kernel=kernel, out=outs[0]: again(kernel, out))
        calls = seen.elements[name] / elements / iterations  # of the size of the one replayed
        rows.append(Kernel(name, calls, each * elements,
                           sheet_bytes(name, model, elements), seconds,
                           f"{elements} elements, each {each:.0f}" + (f": {note}" if note else ""),
                           sum(seen.seconds[name]) / iterations / calls))
        say(f"{name}: {1e3 * seconds:.3f} ms")
    return rows, same


def block_numbers(tree: Tree) -> tuple[float, float, float]:
    """Operations of the factorisation, numbers in L with its diagonal, numbers in all updates.

    A pivot with m equations after it in its block costs m divisions and m (m + 1) for the lower
    triangle of the update; in an elimination without fill beyond the blocks nothing else is done.
    """
    pivots, borders = tree.pivots.astype(float), tree.borders.astype(float)
    low, high = borders, pivots + borders - 1.0  # m runs over these

    def total(m: np.ndarray) -> np.ndarray:
        """Sum over 1 .. m of m + m (m + 1)."""
        return m * (m + 1.0) * (m + 2.0) / 3.0 + m * (m + 1.0) / 2.0

    flops = float((total(high) - total(low - 1.0)).sum())
    factor = float((pivots * (pivots + 1.0) / 2.0 + pivots * borders).sum())
    return flops, factor, float((borders * (borders + 1.0) / 2.0).sum())


def solver_kernels(model: Model, state: State, calls: dict[str, int], iterations: int
                   ) -> tuple[list[Kernel], float]:
    """Whole factorisation and solutions of the tangent at a state; deviation from the plan.

    Factorisation: values and their places read, L and the updates written, the updates read.
    Solution, by factors that have been checked: L read forward and back, vectors; 2 operations a
    number of L each way.
    """
    part = model.internal(state.displacement, state, True)
    assert part is not None
    pattern, data = model.pattern(), part.data
    tree = analyse(pattern, LEAF_EQUATIONS)
    flops, factor, updates = block_numbers(tree)
    solver = type(model.factorisation())(pattern, 1)
    other, turn = data * (1.0 + 1e-9), [data, data]
    size = np.dtype(solver.precision).itemsize  # bytes of a number of L

    def refactor() -> None:
        turn[0] = other if turn[0] is data else data
        solver.factor(turn[0])

    n, values = pattern.n, pattern.nnz
    rows = [Kernel("factorisation, all blocks", calls["factorisation"] / iterations, flops,
                   16.0 * values + size * (factor + 2.0 * updates), best(refactor),
                   f"{factor / 1e6:.2f} million numbers in L; in a pull only changed branches")]
    right = np.random.default_rng(3).standard_normal((n, SIDES))
    for sides in (1, SIDES):
        b = right[:, 0] if sides == 1 else right
        seconds = best(lambda b=b: solver.solve(b))
        rows.append(Kernel(
            f"solution, {sides} side(s)", calls["solve"] / iterations if sides == 1 else 0.0,
            sides * (4.0 * factor + n), 2.0 * size * factor + 32.0 * n * sides, seconds))
    say(f"factorisation {1e3 * rows[0].seconds:.2f} ms, solution {1e3 * rows[1].seconds:.2f} ms")
    return rows, flops / float(tree.work().sum()) - 1.0


def table(rows: list[Kernel], peak: float, stream: float) -> str:
    """The result for people."""
    lines = ["kernel                      calls/it   Mflop    MB  flop/byte  ms alone  in pull"
             "  GFlop/s   GB/s  of peak  of roof  note"]
    for row in rows:
        pulled = "-" if row.in_pull is None else f"{1e3 * row.in_pull:.2f}"
        lines.append(
            f"{row.name:28s}{row.calls:8.2f}{row.flops / 1e6:8.1f}{row.bytes / 1e6:6.1f}"
            f"{row.flops / row.bytes:11.2f}{1e3 * row.seconds:10.2f}"
            f"{pulled:>9s}{row.gflops:9.1f}{row.gbytes:7.1f}{100 * row.gflops / peak:8.0f} %"
            f"{100 * row.gflops / row.roof(peak, stream):7.0f} %  {row.note}")
    flops = sum(row.calls * row.flops for row in rows)
    moved = sum(row.calls * row.bytes for row in rows)
    ideal = sum(row.calls * row.flops / row.roof(peak, stream) for row in rows) / 1e6
    real = 1e3 * sum(row.calls * row.seconds for row in rows)
    lines.append(f"a Newton iteration: {flops / 1e6:.0f} Mflop, {moved / 1e6:.0f} MB at least; "
                 f"at the roofs {ideal:.1f} ms, these kernels alone {real:.1f} ms")
    return "\n".join(lines)


def main() -> int:
    """Measure; 1 if a check fails."""
    parser = arguments(__doc__)
    parser.add_argument("--elements", type=int, default=64)
    parser.add_argument("--picture", type=Path, help="draw the roofline there")
    options: argparse.Namespace = parser.parse_args()
    tops = peaks()
    peak = tops["registers"]["gflops"]
    stream = tops["triad"]["memory, 1 thread(s)"]["gbytes"]
    say(f"peak {peak:.1f} GFlop/s, memory {stream:.1f} GB/s on one thread")
    model = panel(options.elements, "auto", 1)
    state = dented(model).state
    seen, iterations, watch = pulled(model, state)
    rows, same = sheet_kernels(model, seen, iterations)
    more, off = solver_kernels(model, state, watch.calls, iterations)
    rows += more
    result = {"median_s": None, "iterations": iterations,
              "shares": {row.name: row.gflops / row.roof(peak, stream) for row in rows},
              "pull_ms_per_iteration": {name: 1e3 * seconds / iterations
                                        for name, seconds in watch.seconds.items()},
              "peaks": tops, "peak_gflops": peak, "stream_gbytes": stream,
              "kernels": [asdict(row) for row in rows], "formula_off": off,
              "answer_ok": bool(same and abs(off) < 0.02 and tops["answer_ok"])}
    text = (f"one thread: peak {peak:.1f} GFlop/s (multiply-adds), memory {stream:.1f} GB/s "
            "(triad)\n"
            f"{table(rows, peak, stream)}\nin the pull, ms an iteration: "
            + ", ".join(f"{name} {1e3 * seconds / iterations:.1f}"
                        for name, seconds in watch.seconds.items())
            + f"\nreplayed alike: {same}; formula against the solver's "
            f"plan {100 * off:+.2f} %; answer ok: {result['answer_ok']}")
    if options.picture is not None:
        from roofline_figure import draw
        draw(rows, tops, options.picture)
    return finish("roofline", f"{options.elements} elements", result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
