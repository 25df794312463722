"""The panel's surface as recorded in a run: exact points and normals at any step."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.files import Damaged, load_arrays, read_back
from simkit.record.parts import LARGEST_FIELD, field_file
from simkit.record.read import RunRecord
from simkit.show.region import Region
from simkit.spline.basis import Basis
from simkit.spline.patch import Patch

Array = NDArray[np.float64]
OLDER = "a run recorded with its surface; run the case again"


@dataclass(frozen=True)
class Grid:
    """Points of the sheet on a grid of the patch's parameters; v varies along the first index.

    Attributes
    ----------
    points_mm, normals : (nv, nu, 3), mm and unit, outward.
    """

    points_mm: Array
    normals: Array


@dataclass(frozen=True)
class RecordedSurface:
    """Undamaged mid-surface of a run, and access to the displacements of its steps."""

    folder: Path
    patch: Patch

    def moved(self, step: int) -> Array:
        """Displacement of the control points after a step, (n, 3), mm."""
        path = field_file(self.folder, step)
        moved = _array(path, "moved_mm")
        if moved.shape != self.patch.control.shape or not np.isfinite(moved).all():
            raise InputError(f"shape {moved.shape}", f"{self.patch.control.shape}", str(path),
                             key="moved_mm")
        return moved

    def maps(self, step: int) -> dict[str, Array]:
        """Maps of the sheet's state after a step, by name, each (elements in u, in v)."""
        path = field_file(self.folder, step)
        shape = self.patch.basis_u.elements, self.patch.basis_v.elements
        found = {key[6:]: np.asarray(values, float) for key, values in _arrays(path).items()
                 if key.startswith("sheet_")}
        if not found or any(values.shape != shape for values in found.values()):
            raise InputError("holds no maps of the sheet", OLDER, str(path))
        return found

    def lines(self, window: Region, points: int) -> tuple[Array, Array]:
        """Uniformly spaced parameters u and v whose grid covers a window of the plan."""
        x, y = np.meshgrid(np.linspace(window.x0, window.x1, 9),
                           np.linspace(window.y0, window.y1, 9))
        u, v, _ = self.patch.locate(x.ravel(), y.ravel())
        return np.linspace(u.min(), u.max(), points), np.linspace(v.min(), v.max(), points)

    def grid(self, u: Array, v: Array, moved_mm: Array | None = None) -> Grid:
        """Points and exact normals on u x v; None for ``moved_mm``: the undamaged panel."""
        control = self.patch.control if moved_mm is None else self.patch.control + moved_mm
        bu, bv = self.patch.basis_u, self.patch.basis_v
        net = control.reshape(bu.count, bv.count, 3)

        def value(du: int, dv: int) -> Array:
            half = np.tensordot(bu.collocation(u, du), net, axes=(1, 0))
            return np.einsum("vj,ujc->vuc", bv.collocation(v, dv), half)

        normal = np.cross(value(1, 0), value(0, 1))
        return Grid(value(0, 0), normal / np.linalg.norm(normal, axis=-1, keepdims=True))


def read_sheet(record: RunRecord) -> RecordedSurface:
    """The surface of a run; InputError for old runs without one and for damaged files."""
    path = record.folder / "surface.npz"
    if not path.exists():
        raise InputError("this run holds no surface (surface.npz)", OLDER, str(record.folder))
    try:
        degree = int(_array(path, "degree"))
        along_u, along_v = (Basis(_array(path, f"knots_{side}"), degree) for side in "uv")
        patch = Patch(along_u, along_v, _array(path, "control_mm"))
    except (ValueError, TypeError) as error:
        raise InputError("damaged surface file", "run the case again", str(path)) from error
    if degree < 2 or patch.control.shape != (patch.basis_u.count * patch.basis_v.count, 3):
        raise InputError("knots and control points do not fit", "run the case again", str(path))
    return RecordedSurface(record.folder, patch)


def _array(path: Path, key: str) -> Array:
    held = _arrays(path)
    if key not in held:
        raise InputError(f"holds no {key}", OLDER, str(path))
    return np.asarray(held[key], dtype=float)


def _arrays(path: Path) -> dict[str, np.ndarray]:
    try:
        return load_arrays(read_back(path, LARGEST_FIELD))
    except (OSError, Damaged) as error:
        raise InputError(f"damaged or missing ({error})", "run the case again",
                         str(path)) from error
