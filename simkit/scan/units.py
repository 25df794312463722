"""The unit of a scan: the user must give it, and it is checked against the size of a panel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError, one_of

Array = NDArray[np.float64]
MM_PER_UNIT = {"mm": 1.0, "m": 1000.0, "inch": 25.4}
SMALLEST_MM, LARGEST_MM = 40.0, 4000.0
"""Limits of the longer side of a scanned panel: plausible values, no source."""
LIKELY_MM = (100.0, 2500.0)
"""Lengths for which a unit is suggested."""


def in_mm(points: Array, unit: str | None, file: str) -> Array:
    """Points (n, 3) in mm.

    Raises `InputError` without a unit (the message suggests units that would give the size of a
    panel), for an unknown unit, and for one with which the scan is far smaller or larger than a
    panel.
    """
    size = size_of(points)
    raw = " x ".join(f"{v:.3g}" for v in size)
    if unit is None:
        raise InputError(f"no unit given; in its own numbers the scan is {raw} long, wide and high",
                         f"give the unit mm, m or inch{_would_fit(size)}", file=file, key="unit")
    if unit not in MM_PER_UNIT:
        raise InputError(f"unknown unit {unit!r}", one_of(unit, MM_PER_UNIT), file=file, key="unit")
    longest = float(size[0]) * MM_PER_UNIT[unit]
    if not SMALLEST_MM <= longest <= LARGEST_MM:
        raise InputError(f"with the unit {unit} the scan is {longest:.4g} mm long",
                         f"{SMALLEST_MM:g} to {LARGEST_MM:g} mm for a panel{_would_fit(size)}",
                         file=file, key="unit")
    return points * MM_PER_UNIT[unit]


def size_of(points: Array) -> Array:
    """(3,) extents along the principal axes, the largest first, without 1 % of points at each end.
    """
    few = points[:: max(1, len(points) // 50_000)]
    centre = np.median(few, axis=0)
    near = np.linalg.norm(few - centre, axis=1)
    few = few[near <= 3.0 * np.percentile(near, 90) + 1e-300]
    axes = np.linalg.svd(few - few.mean(axis=0), full_matrices=False)[2]
    low, high = np.percentile((few - centre) @ axes.T, [1.0, 99.0], axis=0)
    return np.asarray(np.sort(high - low)[::-1])


def _would_fit(size: Array) -> str:
    """End of a message: the units that would give the size of a panel."""
    fits = [f"{unit} would make it {size[0] * factor:.4g} x {size[1] * factor:.4g} mm"
            for unit, factor in MM_PER_UNIT.items()
            if LIKELY_MM[0] <= size[0] * factor <= LIKELY_MM[1]]
    return "; " + ", ".join(fits) if fits else ""
