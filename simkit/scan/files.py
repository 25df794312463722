"""Reading of scan files; headers are checked before a large file is read.

Meshes are read by meshio (pyvista for formats that only it supports) in a separate process with
limits of memory and time, because meshio hangs on a truncated PLY and exits on a broken VTU.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError, one_of
from simkit.files import Damaged, load_arrays
from simkit.scan.child import BY_PYVISTA
from simkit.scan.headers import CHECKS, check_size
from simkit.scan.tables import read_numpy, read_text_points

Array = NDArray[np.float64]
MESHES = (".stl", ".ply", ".obj", ".vtu", ".vtp", ".vtk")
TEXTS = (".xyz", ".csv", ".txt", ".asc")
SUFFIXES = (*MESHES, *TEXTS, ".npy")
CHILD = Path(__file__).with_name("child.py")
FARTHEST_COORDINATE = 1e9
"""Larger coordinates are impossible for a panel in any unit; they count as invalid."""
CHILD_TIME_LIMITS_S, SECONDS_PER_MB = 40.0, 0.8
"""Time limit of the reading process: constant part, and addition per MB of the file."""


@dataclass(frozen=True)
class RawScan:
    """Contents of a scan file, in its own unit.

    ``points`` (n, 3); ``triangles`` (m, 3) point numbers, or None; ``normals`` (n, 3) from the
    file, or None.
    """

    file: str
    points: Array
    triangles: NDArray[np.int64] | None = None
    normals: Array | None = None


def read_scan_file(path: Path) -> RawScan:
    """Points and triangles of a scan file; raises `InputError` for any other file."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError(f"files ending in {suffix or 'nothing'} are not read",
                         one_of(suffix, SUFFIXES), file=str(path))
    check_size(path)
    if suffix in TEXTS:
        points, normals = read_text_points(path)
        return _checked(RawScan(str(path), points, None, normals))
    if suffix == ".npy":
        points, normals = read_numpy(path)
        return _checked(RawScan(str(path), points, None, normals))
    if suffix in CHECKS:
        CHECKS[suffix](path)
    if suffix in BY_PYVISTA and find_spec("pyvista") is None:
        raise InputError(f"{suffix[1:].upper()} files need pyvista, which is not installed",
                         "pip install -e '.[three-d]' in simkit's folder, or the scan as STL, PLY, "
                         "OBJ or VTU", file=str(path))
    return _checked(_by_child(path))


def _by_child(path: Path) -> RawScan:
    """Read a mesh in a separate process, which returns its arrays on standard output."""
    seconds = CHILD_TIME_LIMITS_S + SECONDS_PER_MB * path.stat().st_size / 1e6
    # run the file itself, with -P to keep its folder off the path: it imports numpy only
    command = [sys.executable, "-P", str(CHILD), str(path.resolve())]
    try:
        done = subprocess.run(command, capture_output=True, timeout=seconds,
                              stdin=subprocess.DEVNULL, cwd=CHILD.parent)
    except subprocess.TimeoutExpired:
        raise InputError(f"not read within {seconds:.0f} s: truncated or damaged",
                         "export the scan again", file=str(path)) from None
    try:
        held = load_arrays(done.stdout)
    except Damaged:
        held = {}
    if done.returncode or not {"points", "triangles"} <= held.keys():
        said = [line.strip() for line in done.stderr.decode("utf-8", "replace").splitlines()
                if line.strip()]
        reason = f" ({said[-1][:120]})" if said else ""
        raise InputError(f"cannot be read as {path.suffix[1:].upper()}{reason}",
                         "a whole file; export the scan again", file=str(path))
    points, triangles, normals = held["points"], held["triangles"], held.get("normals")
    return RawScan(str(path), points, triangles if len(triangles) else None, normals)


def _checked(scan: RawScan) -> RawScan:
    """The scan without invalid points and without triangles that use them."""
    file = scan.file
    if len(scan.points) == 0:
        raise InputError("no points in the file", "a scan", file=file)
    if scan.triangles is not None and scan.triangles.size:
        low, high = int(scan.triangles.min()), int(scan.triangles.max())
        if low < 0 or high >= len(scan.points):
            raise InputError(f"a triangle names point {high + 1} of {len(scan.points)}",
                             "a whole file; export the scan again", file=file)
    if scan.normals is not None:
        # columns 4 to 6 may be colours: keep them only if they are unit vectors
        length = np.linalg.norm(scan.normals, axis=1)
        if np.median(np.abs(length - 1.0)) > 0.05:
            scan = replace(scan, normals=None)
    finite: NDArray[np.bool_] = np.asarray((np.abs(scan.points) < FARTHEST_COORDINATE).all(axis=1))
    if finite.all():
        return scan
    if finite.mean() < 0.5:
        raise InputError(f"{int((~finite).sum())} of {len(finite)} points are not valid numbers",
                         "finite coordinates", file=file)
    number = np.cumsum(finite) - 1
    triangles = scan.triangles
    if triangles is not None:
        triangles = number[triangles[finite[triangles].all(axis=1)]]
    normals = None if scan.normals is None else scan.normals[finite]
    return RawScan(file, scan.points[finite], triangles, normals)
