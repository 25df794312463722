"""Additional points on the large triangles of a mesh, whose corners are far apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simkit.scan.files import RawScan

Array = NDArray[np.float64]
MOST_MORE = 300_000


def thickened(scan: RawScan) -> RawScan:
    """The scan with points added on triangles that are large against the mean area per corner.

    Decimated meshes have few corners where the panel is smooth; without more points these parts
    would look like holes. Uniform meshes are not changed. Corners that no triangle uses are left
    out.
    """
    if scan.triangles is None or len(scan.triangles) == 0:
        return scan
    used = np.zeros(len(scan.points), dtype=bool)
    used[scan.triangles] = True
    number = np.cumsum(used) - 1
    points, triangles = scan.points[used], number[scan.triangles]
    normals = None if scan.normals is None else scan.normals[used]
    corner = points[triangles]
    area = 0.5 * np.linalg.norm(
        np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    share = 2.0 * float(area.sum()) / len(points)
    more = np.floor(area / max(share, 1e-300)).astype(np.int64)
    if more.sum() > MOST_MORE:
        more = np.floor(more * (MOST_MORE / more.sum())).astype(np.int64)
    large = np.flatnonzero(more)
    if large.size == 0:
        return replace(scan, points=points, triangles=triangles, normals=normals)
    which = np.repeat(large, more[large])
    k = np.arange(len(which)) - np.repeat(np.cumsum(more[large]) - more[large], more[large])
    # A low-discrepancy sequence in the unit square, folded onto the triangle (Roberts: MEMORY).
    u, v = (0.5 + (k + 1) * 0.7548776662466927) % 1.0, (0.5 + (k + 1) * 0.5698402909980532) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    a, b, c = (corner[which, i] for i in range(3))
    extra = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return replace(scan, points=np.vstack([points, extra]), triangles=triangles, normals=None)
