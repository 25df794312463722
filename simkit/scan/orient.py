"""Orientation of a scan: its outer side, and the direction of x."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError, one_of
from simkit.scan.files import RawScan
from simkit.scan.frame import Frame

Array = NDArray[np.float64]
AXES = ("+x", "-x", "+y", "-y", "+z", "-z")
OUTSIDES = ("auto", "normals", "flipped", *AXES)
CERTAIN_NORMAL_SHARE = 0.6
"""Mean z component of the normals above which they determine the outer side."""


@dataclass(frozen=True)
class Side:
    """The outer side.

    ``frame`` with z outward; ``how`` it was determined, in words; ``sure``: False if it is only a
    guess; ``trusted``: True if the user has stated it, so that a high is a real high and not a sign
    of normals that point inward.
    """

    frame: Frame
    how: str
    sure: bool
    trusted: bool


def outer_side(frame: Frame, scan: RawScan, kept: NDArray[np.int64], outside: str) -> Side:
    """The frame with z outward, by the user's option or the file's normals.

    Raises `InputError` for an unknown word, an axis that lies in the panel, or if the user relies
    on normals that the file does not have.
    """
    if outside not in OUTSIDES:
        raise InputError(f"unknown side {outside!r}", one_of(outside, OUTSIDES), file=scan.file,
                         key="outside")
    if outside in AXES:
        lean = float(frame.axes[2] @ _axis(outside))
        if abs(lean) < 0.3:
            raise InputError(f"the axis {outside} lies in the panel", "the axis of the file that "
                             "points out of the panel", file=scan.file, key="outside")
        return Side(frame if lean > 0.0 else frame.over(), f"towards {outside}", True, True)
    said = _lean(frame, scan, kept)
    if said is None or abs(said) < CERTAIN_NORMAL_SHARE:
        if outside != "auto":
            reason = "has no normals" if said is None else "has normals to both sides"
            raise InputError(f"the file {reason}", "outside: auto, or an axis such as +z",
                             file=scan.file, key="outside")
        return Side(frame, "the side from which the marks are lows", False, True)
    lean = -said if outside == "flipped" else said
    words = {"auto": "by the file's normals", "normals": "by the file's normals",
             "flipped": "against the file's normals"}
    return Side(frame if lean > 0.0 else frame.over(), words[outside], True, outside != "auto")


def _lean(frame: Frame, scan: RawScan, kept: NDArray[np.int64]) -> float | None:
    """Mean z component of the normals, -1 to 1; None without normals.

    Of the triangles, weighted by area, if there are any, else of the points.
    """
    if scan.triangles is not None and len(scan.triangles):
        corners = frame.of(scan.points)[scan.triangles]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area = np.linalg.norm(normal, axis=1)
        return float(normal[:, 2].sum() / max(area.sum(), 1e-300))
    if scan.normals is not None:
        kept = kept[kept < len(scan.normals)]
        return float(np.nanmean(scan.normals[kept] @ frame.axes[2]))
    return None


def direction(frame: Frame, along: str | None, file: str) -> Frame:
    """The frame rotated in its plane so that x runs along an axis of the file.

    Without an axis x stays along the longer side, in the sense that makes its largest component in
    the file positive.
    """
    if along is None:
        x = frame.axes[0]
        return frame if x[np.argmax(np.abs(x))] > 0.0 else frame.turned(np.pi)
    if along not in AXES:
        raise InputError(f"unknown direction {along!r}", one_of(along, AXES), file=file,
                         key="along")
    inside = frame.axes @ _axis(along)
    if np.hypot(inside[0], inside[1]) < 0.3:
        raise InputError(f"the axis {along} points out of the panel",
                         "an axis of the file that runs along it", file=file, key="along")
    return frame.turned(float(np.arctan2(inside[1], inside[0])))


def _axis(word: str) -> Array:
    """Unit vector of a word such as +x."""
    axis = np.zeros(3)
    axis["xyz".index(word[1])] = 1.0 if word[0] == "+" else -1.0
    return axis
