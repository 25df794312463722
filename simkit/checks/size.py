"""Estimate of a case's number of elements, memory and time, without building the mesh.

The constants were measured with this solver (benchmarks/sizes.py: 1000 to 37000 elements of degree
2 with five layers, one processor of a server). The estimates are accurate to about a third, which
is enough to refuse a mesh that cannot be computed.
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
"""Memory of the program and of one element with five layers; time of one iteration with 16384
elements, and number of iterations of one operation."""


@dataclass(frozen=True)
class Size:
    """Elements; memory of one run, MB; seconds of one operation on one processor."""

    elements: int
    memory_MB: float
    operation_s: float

    def words(self) -> str:
        """The estimates in one line."""
        memory = (f"{self.memory_MB / 1000:,.1f} GB" if self.memory_MB >= 1000.0
                  else f"{self.memory_MB:.0f} MB")
        seconds = (f"{self.operation_s:.0f} s" if self.operation_s >= 1.0
                   else f"{self.operation_s:.1f} s")
        return (f"about {self.elements:,} elements, {memory} of memory a run, {seconds} an "
                "operation on one processor")


def size_of(case: Case, depth: DepthField | None) -> Size:
    """Number of elements, memory and time of the case's mesh."""
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
    # fits relative to five layers, degree 2 and 16384 elements; the factor fill is for the growth
    # of the factorised matrix, which needs more memory per element in a larger mesh
    layers = 0.5 + 0.1 * mesh.layers
    degree = (mesh.degree / 2.0) ** 1.5
    fill = 1.0 + 0.05 * max(0.0, math.log2(elements / 16384.0))
    memory = PROGRAM_MB + ELEMENT_MB * elements * layers * degree * fill
    iteration = 1e-3 * ITERATION_MS * (elements / 16384.0) ** 1.3 * layers * degree
    return Size(elements, memory, ITERATIONS * iteration)


def _along(start: float, end: float, fine_from: float, fine_to: float, fine: float,
           coarse: float) -> int:
    """Elements along one side, counted as `simkit.spline.basis.graded_breaks` makes them."""
    a, b = max(start, fine_from), min(end, fine_to)
    return (max(1, round((b - a) / fine)) + _growing(a - start, fine, coarse)
            + _growing(end - b, fine, coarse))


def _growing(length: float, fine: float, coarse: float) -> int:
    """Elements over a length if their size grows from fine to coarse."""
    if length <= 1e-9 * fine:
        return 0
    count, size, done = 0, fine, 0.0
    while done < length and size < coarse:
        size = min(size * ELEMENT_SIZE_RATIO, coarse)
        done += size
        count += 1
    return max(1, count + max(0, math.ceil((length - done) / coarse)))


def check_size(case: Case, depth: DepthField | None) -> None:
    """Refuse a mesh that is too large in general or for this computer; `InputError` says which."""
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
    """Memory of this computer, or the limit of the control group of this process; infinite if
    neither is known."""
    found = [math.inf]
    with contextlib.suppress(AttributeError, ValueError, OSError):  # not on every system
        found.append(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e6)
    with contextlib.suppress(OSError, ValueError):  # no control group, or one without a limit
        found.append(int(Path("/sys/fs/cgroup/memory.max").read_text("ascii")) / 1e6)
    return min(found)
