"""How many elements a case makes, what memory and time they take: foretold, not tried out.

The figures were measured on this solver (benchmarks/sizes.py: 1000 to 37000 elements of degree 2
with five layers, one processor of a server) and hold to about a third; they tell a mesh that can
be computed from one that cannot.
"""

from __future__ import annotations

import contextlib
import math
import os
from dataclasses import dataclass
from pathlib import Path

from simkit.case import Case
from simkit.case.plan import plan_bounds
from simkit.dent.field import DepthField
from simkit.errors import InputError
from simkit.repair.window import fine_window

MOST_ELEMENTS = 250_000
MEMORY_SHARE = 0.8
"""Share of the computer's memory that one run may need."""
ELEMENT_SIZE_RATIO = 1.25
"""Ratio of the sizes of neighbouring elements outside the fine window (`graded_breaks`)."""
PROGRAM_MB, ELEMENT_MB = 210.0, 0.07
ITERATION_MS, ITERATIONS = 91.0, 50
"""Memory of the program and of an element with five layers; an iteration at 16384 elements and
the iterations of one operation."""


@dataclass(frozen=True)
class Size:
    """Elements; memory of one run, MB; seconds of one operation on one processor."""

    elements: int
    memory_MB: float
    operation_s: float

    def words(self) -> str:
        """One line for people."""
        memory = (f"{self.memory_MB / 1000:,.1f} GB" if self.memory_MB >= 1000.0
                  else f"{self.memory_MB:.0f} MB")
        seconds = (f"{self.operation_s:.0f} s" if self.operation_s >= 1.0
                   else f"{self.operation_s:.1f} s")
        return (f"about {self.elements:,} elements, {memory} of memory a run, {seconds} an "
                "operation on one processor")


def size_of(case: Case, depth: DepthField | None) -> Size:
    """What the case's mesh comes to."""
    extent, mesh = plan_bounds(case.panel), case.mesh
    blows = None if case.dent is None else getattr(case.dent, "blows", None)
    window = fine_window(depth, blows, case.panel, extent)
    x0, x1, y0, y1 = extent
    spans = [(x0, x1, window.x_from, window.x_to), (y0, y1, window.y_from, window.y_to)]
    if case.panel.outline == "disc":
        half = min(x1, max(abs(v) for v in (window.x_from, window.x_to, window.y_from,
                                            window.y_to)))
        spans = [(x0, x1, -half, half)] * 2
    elements = math.prod(_along(*span, mesh.fine_mm, mesh.coarse_mm) for span in spans)
    layers = 0.5 + 0.1 * mesh.layers
    degree = (mesh.degree / 2.0) ** 1.5
    fill = 1.0 + 0.05 * max(0.0, math.log2(elements / 16384.0))
    memory = PROGRAM_MB + ELEMENT_MB * elements * layers * degree * fill
    iteration = 1e-3 * ITERATION_MS * (elements / 16384.0) ** 1.3 * layers * degree
    return Size(elements, memory, ITERATIONS * iteration)


def _along(start: float, end: float, fine_from: float, fine_to: float, fine: float,
           coarse: float) -> int:
    """Elements along one side, as `simkit.spline.basis.graded_breaks` makes them."""
    a, b = max(start, fine_from), min(end, fine_to)
    return (max(1, round((b - a) / fine)) + _growing(a - start, fine, coarse)
            + _growing(end - b, fine, coarse))


def _growing(length: float, fine: float, coarse: float) -> int:
    """Elements over a length, growing from fine to coarse."""
    if length <= 1e-9 * fine:
        return 0
    count, size, done = 0, fine, 0.0
    while done < length and size < coarse:
        size = min(size * ELEMENT_SIZE_RATIO, coarse)
        done += size
        count += 1
    return max(1, count + max(0, math.ceil((length - done) / coarse)))


def check_size(case: Case, depth: DepthField | None) -> None:
    """Refuse a mesh that no computer, or not this one, can work with; `InputError` says why."""
    size = size_of(case, depth)
    room = memory_here_MB()
    too_large = size.memory_MB > MEMORY_SHARE * room
    if size.elements <= MOST_ELEMENTS and not too_large:
        return
    limit = (f"{MEMORY_SHARE * room / 1000:.1f} GB here" if too_large
             else f"{MOST_ELEMENTS:,} elements")
    raise InputError(f"this mesh has {size.words()}", f"at most {limit}: coarser elements "
                     "(fine_mm, coarse_mm), or a smaller panel round the dent",
                     file=str(case.file), key="mesh")


def memory_here_MB() -> float:
    """Memory of this computer or of the group that the program runs in; a lot if not known."""
    found = [math.inf]
    with contextlib.suppress(AttributeError, ValueError, OSError):  # not on every system
        found.append(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e6)
    with contextlib.suppress(OSError, ValueError):  # no such group, or without a limit
        found.append(int(Path("/sys/fs/cgroup/memory.max").read_text("ascii")) / 1e6)
    return min(found)
