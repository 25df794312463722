"""What the machine can do at best: multiply-adds in cache, and numbers streamed through memory.

Run: python benchmarks/peaks.py [--json] [--store]

- multiply-adds on vectors of eight in registers, by a loop of our own: twelve sums that do not wait
  for each other, on one thread;
- dgemm of 768 x 768 matrices by numpy's BLAS, which fits the second and third cache, on one and two
  threads: once with the kernels the environment asks for, once with those the library picks itself;
- the triad a = b + s c of STREAM (McCalpin 1995, MEMORY) in a loop of our own, on arrays that
  fit the second cache, the third cache, and only memory, on one and two threads; 24 bytes an
  element as STREAM counts, the fetch of a before it is overwritten not counted.

Best of many short stretches: on a shared machine a median would measure the neighbours. The answers
are checked: a column of the product against sums made here, the triad against numpy.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba as nb
import numpy as np
from common import arguments, finish

from simkit.kernels.simd import broadcast8, fma8, sum8

SIDE = 768
TRIAD_MIB = {"second cache": 0.6, "third cache": 12.0, "memory": 384.0}
"""Size of the three arrays together."""
BEST_OF, SECONDS = 80, 0.01


@nb.njit(cache=True, nogil=True)
def triad(a, b, c, s):
    """a = b + s c."""
    for i in range(a.size):
        a[i] = b[i] + s * c[i]


@nb.njit(cache=True, nogil=True)
def multiply_adds(times, a, b):
    """Twelve sums of eight numbers, each a b added to so often; their total."""
    x, y = broadcast8(a), broadcast8(b)
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = s8 = s9 = s10 = s11 = broadcast8(0.0)
    for _ in range(times):
        s0, s1, s2 = fma8(x, y, s0), fma8(x, y, s1), fma8(x, y, s2)
        s3, s4, s5 = fma8(x, y, s3), fma8(x, y, s4), fma8(x, y, s5)
        s6, s7, s8 = fma8(x, y, s6), fma8(x, y, s7), fma8(x, y, s8)
        s9, s10, s11 = fma8(x, y, s9), fma8(x, y, s10), fma8(x, y, s11)
    return (sum8(s0) + sum8(s1) + sum8(s2) + sum8(s3) + sum8(s4) + sum8(s5)
            + sum8(s6) + sum8(s7) + sum8(s8) + sum8(s9) + sum8(s10) + sum8(s11))


def best(job: Callable[[], object]) -> float:
    """Least seconds of one call, over several stretches of calls."""
    job()
    start = time.perf_counter()
    job()
    calls = max(1, int(SECONDS / max(time.perf_counter() - start, 1e-7)))
    least = np.inf
    for _ in range(BEST_OF):
        start = time.perf_counter()
        for _ in range(calls):
            job()
        least = min(least, (time.perf_counter() - start) / calls)
    return least


def registers() -> dict[str, float]:
    """GFlop/s of multiply-adds in registers, and the error of their sum."""
    times = 20000
    seconds = best(lambda: multiply_adds(times, 0.5, 0.25))
    return {"gflops": 2.0 * 96 * times / seconds / 1e9,
            "error": abs(multiply_adds(times, 0.5, 0.25) / (96 * times * 0.125) - 1.0)}


def gemm_here() -> dict[str, float]:
    """GFlop/s of dgemm with this process's BLAS, and its error against a plain sum."""
    rng = np.random.default_rng(1)
    a, b = rng.random((2, SIDE, SIDE))
    c = np.empty_like(a)
    seconds = best(lambda: np.matmul(a, b, out=c))
    plain = (a * b[:, 0]).sum(axis=1)
    return {"gflops": 2.0 * SIDE**3 / seconds / 1e9,
            "error": float(np.abs(c[:, 0] / plain - 1.0).max())}


def gemm(threads: int, kernels: str | None) -> dict[str, float]:
    """dgemm in a process of its own with that many threads."""
    env = {**os.environ, "OPENBLAS_NUM_THREADS": str(threads), "MKL_NUM_THREADS": str(threads)}
    env.pop("OPENBLAS_CORETYPE", None)
    if kernels is not None:
        env["OPENBLAS_CORETYPE"] = kernels
    done = subprocess.run([sys.executable, __file__, "--gemm"], env=env, check=True, text=True,
                          capture_output=True)
    return json.loads(done.stdout)


def stream(mebibytes: float, threads: int) -> dict[str, float]:
    """GB/s of the triad, each thread on arrays of its own, and its largest error."""
    size = int(mebibytes * 2**20 / 24 / threads)
    rng = np.random.default_rng(2)
    sets = [tuple(rng.random(size) for _ in range(3)) for _ in range(threads)]
    with ThreadPoolExecutor(threads) as pool:
        repeat = max(1, int(2e6 / size))  # so that handing out work costs nothing beside it

        def one(arrays: tuple) -> None:
            for _ in range(repeat):
                triad(*arrays, 3.0)

        def all_of_them() -> None:
            list(pool.map(one, sets))

        seconds = best((lambda: one(sets[0])) if threads == 1 else all_of_them) / repeat
    a, b, c = sets[0]
    return {"gbytes": 24.0 * size * threads / seconds / 1e9,
            "error": float(np.abs(a - (b + 3.0 * c)).max())}


def peaks() -> dict:
    """Everything measured."""
    asked = os.environ.get("OPENBLAS_CORETYPE")
    kinds = {"as detected": None} | ({f"{asked}, as asked for": asked} if asked else {})
    gemms = {f"{name}, {threads} thread(s)": gemm(threads, kernels)
             for name, kernels in kinds.items() for threads in (1, 2)}
    streams = {f"{name}, {threads} thread(s)": stream(size, threads)
               for name, size in TRIAD_MIB.items() for threads in (1, 2)}
    inside = registers()
    rows = (inside, *gemms.values(), *streams.values())
    return {"registers": inside, "dgemm": gemms, "triad": streams,
            "answer_ok": all(row["error"] < 1e-12 for row in rows)}


def table(found: dict) -> str:
    """The result for people."""
    lines = [f"multiply-adds in registers, 1 thread      "
             f"{found['registers']['gflops']:8.1f} GFlop/s"]
    lines += [f"dgemm {name:32s}{row['gflops']:8.1f} GFlop/s" for name, row in
             found["dgemm"].items()]
    lines += [f"triad {name:32s}{row['gbytes']:8.1f} GB/s" for name, row in
              found["triad"].items()]
    return "\n".join([*lines, f"answer ok: {found['answer_ok']}"])


def main() -> int:
    """Measure; 1 if an answer is wrong."""
    if sys.argv[1:2] == ["--gemm"]:
        print(json.dumps(gemm_here()))
        return 0
    options: argparse.Namespace = arguments(__doc__).parse_args()
    found = {"median_s": None, "iterations": 0, "shares": {}, **peaks()}
    return finish("peaks", "peaks", found, table(found), options)


if __name__ == "__main__":
    raise SystemExit(main())
