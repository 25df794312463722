"""Reads one mesh file with meshio or pyvista: python -P child.py FILE > OUT.npz

It runs as a separate process, so that a library that crashes or hangs on a broken file does not
affect simkit. Memory is limited where the system allows it (not on Windows).
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

try:
    import resource
except ImportError:  # not on Windows
    resource = None  # type: ignore[assignment]

MOST_MEMORY = 4 * 2**30  # bytes
BY_PYVISTA = (".vtp", ".vtk")


def main(file: str) -> int:
    """Write points (n, 3), triangles (m, 3) and normals, if any, of ``file`` to standard output.

    Returns 0, or 1 with a message on standard error.
    """
    _limit_memory()
    out = os.dup(1)
    os.dup2(2, 1)  # text that a library prints goes to standard error, not between the arrays
    try:
        points, triangles, normals = _read(Path(file))
    except SystemExit:
        print("the file is broken", file=sys.stderr)
        return 1
    except MemoryError:
        print("it needs more than 4 GiB of memory", file=sys.stderr)
        return 1
    except Exception as error:
        first = (str(error).splitlines() or [""])[0]
        print(first or type(error).__name__, file=sys.stderr)
        return 1
    arrays: dict[str, Any] = {"points": points, "triangles": triangles}
    if normals is not None:
        arrays["normals"] = normals
    packed = io.BytesIO()
    np.savez(packed, **arrays)
    with open(out, "wb") as stream:
        stream.write(packed.getbuffer())
    return 0


def _limit_memory() -> None:
    if resource is not None:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


def _read(path: Path) -> tuple[Any, Any, Any]:
    if path.suffix.lower() in BY_PYVISTA:
        return _by_pyvista(path)
    import meshio

    mesh = meshio.read(path)
    points = np.asarray(mesh.points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError(f"points have {points.shape[-1]} coordinates, expected 3")
    parts = [np.zeros((0, 3), dtype=np.int64)]
    for block in mesh.cells:
        corners = np.asarray(block.data, dtype=np.int64)
        if block.type in ("triangle", "triangle6"):
            parts.append(corners[:, :3])
        elif block.type in ("quad", "quad8", "quad9"):
            parts += [corners[:, [0, 1, 2]], corners[:, [0, 2, 3]]]
        elif block.type == "polygon":
            parts += [corners[:, [0, k, k + 1]] for k in range(1, corners.shape[1] - 1)]
    normals = None
    if all(name in mesh.point_data for name in ("nx", "ny", "nz")):
        normals = np.column_stack([mesh.point_data[name] for name in ("nx", "ny", "nz")])
    return points, np.vstack(parts), normals


def _by_pyvista(path: Path) -> tuple[Any, Any, Any]:
    try:
        import pyvista
    except ImportError:
        raise ValueError("needs pyvista: pip install -e '.[three-d]' in simkit's folder") from None
    surface = pyvista.read(path).extract_surface().triangulate()
    if surface.n_points == 0:
        raise ValueError("the file is broken")
    faces = np.asarray(surface.faces, dtype=np.int64).reshape(-1, 4)[:, 1:]
    return np.asarray(surface.points, dtype=float), faces, None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
