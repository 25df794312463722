"""From the dent section of a case to a depth field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from simkit.dent.field import DepthField, Extent, check_inside
from simkit.dent.grid import fit_grid, read_grid
from simkit.dent.points import read_points
from simkit.dent.shapes import Bowl, Crease, Shape, Shapes, check_shape, reach_of, rim_of
from simkit.dent.thin_plate import fit_thin_plate
from simkit.errors import InputError

KINDS: dict[str, type[Bowl] | type[Crease]] = {"bowl": Bowl, "crease": Crease}
LARGEST_NOISE_MM = 1.0


class DentSpec(Protocol):
    """What `read_dent` needs of a case's dent section; exactly one source is set.

    ``shapes`` items are `Bowl`, `Crease`, or carry their fields beside ``kind`` ("bowl" or
    "crease") as attributes or keys; fields with a default may be absent or ``None``.
    """

    @property
    def points_csv(self) -> str | Path | None:
        """File of scattered points x_mm, y_mm, d_mm."""
        ...

    @property
    def grid_csv(self) -> str | Path | None:
        """File of deviations (mm) on a grid."""
        ...

    @property
    def shapes(self) -> Sequence[Any] | None:
        """Described shapes, added together."""
        ...

    @property
    def noise_mm(self) -> float:
        """Standard error of one depth, mm."""
        ...


def read_dent(
    spec: DentSpec | None, panel_extent: Extent | None
) -> DepthField | None:
    """Depth field of a case; ``None`` when it has no dent.

    Parameters
    ----------
    spec : the dent section, see `DentSpec`.
    panel_extent : (x_min, x_max, y_min, y_max) of the panel in the chart plane [mm]; ``None``
        skips the check that the dent lies on the panel.

    Raises
    ------
    InputError : two sources, an unreadable or unreasonable file, a dent outside the panel.
    """
    if spec is None:
        return None
    sources = {name: getattr(spec, name) for name in ("points_csv", "grid_csv", "shapes")}
    given = [name for name, value in sources.items() if value is not None]
    if not given:
        return None
    if len(given) > 1:
        raise InputError(f"found {' and '.join(given)}", "one source of the dent", key="dent")
    noise = spec.noise_mm
    if not 0.0 <= noise <= LARGEST_NOISE_MM:
        expected = f"0 to {LARGEST_NOISE_MM:g} mm"
        raise InputError(f"found {noise:g}", expected, key="dent.noise_mm")
    if given == ["shapes"]:
        shapes = [_shape(item, i) for i, item in enumerate(spec.shapes or ())]
        field = field_of_shapes(shapes, noise)
    elif given == ["points_csv"]:
        field = field_of_points(Path(sources["points_csv"]), noise)
    else:
        field = field_of_grid(Path(sources["grid_csv"]), noise)
    if panel_extent is not None:
        check_inside(field, panel_extent)
    return field


def field_of_points(path: Path, noise_mm: float) -> DepthField:
    """Depth field through the scattered gauge points of a CSV file."""
    points = read_points(path, noise_mm)
    fit = fit_thin_plate(points, noise_mm)
    low, high = points.xy_mm.min(axis=0) - fit.reach_mm, points.xy_mm.max(axis=0) + fit.reach_mm
    return DepthField(
        depth=fit,
        reach_mm=(float(low[0]), float(high[0]), float(low[1]), float(high[1])),
        noise_mm=noise_mm,
        source=f"{len(points.d_mm)} gauge points",
        places_mm=points.xy_mm,
        places_line=points.line,
        file=points.file,
        quality=fit.quality,
    )


def field_of_grid(path: Path, noise_mm: float) -> DepthField:
    """Depth field through the grid of a CSV file."""
    grid = read_grid(path)
    fit = fit_grid(grid, noise_mm)
    ny, nx = grid.d_mm.shape
    # Undamaged nodes may hang over the panel's edge; only damage must lie on it.
    x, y = (a.ravel() for a in np.meshgrid(grid.x_mm, grid.y_mm))
    damaged = np.abs(grid.d_mm).ravel() > 3.0 * noise_mm
    return DepthField(
        depth=fit,
        reach_mm=fit.extent_mm,
        noise_mm=noise_mm,
        source=f"grid of {nx} x {ny} depths",
        places_mm=np.column_stack([x, y])[damaged],
        places_line=np.repeat(grid.line, nx)[damaged],
        file=grid.file,
        quality=fit.quality,
    )


def field_of_shapes(shapes: Sequence[Shape], noise_mm: float = 0.0) -> DepthField:
    """Depth field of described shapes, added together."""
    if not shapes:
        raise InputError("the list is empty", "at least one shape", key="dent.shapes")
    for i, shape in enumerate(shapes):
        check_shape(shape, f"dent.shapes[{i}]")
    reach = np.array([reach_of(shape) for shape in shapes])
    rims = np.vstack([rim_of(shape) for shape in shapes])
    kinds = [type(shape).__name__.lower() for shape in shapes]
    return DepthField(
        depth=Shapes(tuple(shapes)),
        reach_mm=(
            float(reach[:, 0].min()), float(reach[:, 1].max()),
            float(reach[:, 2].min()), float(reach[:, 3].max()),
        ),
        noise_mm=noise_mm,
        source="described " + " + ".join(kinds),
        places_mm=rims,
        places_line=np.zeros(len(rims), dtype=np.int64),
    )


def _get(item: Any, name: str) -> Any:
    return item.get(name) if isinstance(item, Mapping) else getattr(item, name, None)


def _shape(item: Any, i: int) -> Shape:
    if isinstance(item, Bowl | Crease):
        return item
    key, kind = f"dent.shapes[{i}]", _get(item, "kind")
    if kind not in KINDS:
        raise InputError(f"found {kind!r}", f"one of {', '.join(KINDS)}", key=f"{key}.kind")
    values = {}
    for entry in fields(KINDS[kind]):
        value = _get(item, entry.name)
        if value is not None:
            values[entry.name] = float(value)
        elif entry.default is MISSING:
            raise InputError("missing", "a number", key=f"{key}.{entry.name}")
    return KINDS[kind](**values)
