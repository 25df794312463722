"""From the dent section of a case to a depth field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from simkit.dent.field import Array, DepthField, Extent, check_inside
from simkit.dent.further import CreaseLine, High, Kink
from simkit.dent.grid import fit_grid, read_grid
from simkit.dent.hull import anchor_distance
from simkit.dent.outlines import Outline, check_outline, readings_along
from simkit.dent.points import (
    GaugePoints,
    Source,
    check_places,
    joined,
    merged,
    read_loose_points,
)
from simkit.dent.sections import SectionLine, read_sections
from simkit.dent.shapes import Bowl, Crease, Shape, Shapes
from simkit.dent.thin_plate import fit_thin_plate
from simkit.errors import InputError
from simkit.scan.pipeline import ScanOptions
from simkit.scan.place import Placement, field_of_scan, measured_once

KINDS: dict[str, Any] = {"bowl": Bowl, "crease": Crease, "crease-line": CreaseLine,
                         "high": High, "kink": Kink}
NAMES = {kind: name for name, kind in KINDS.items()}
LARGEST_NOISE_MM = 1.0
MOST_CREASES, MOST_WITH_CREASES = 8, 1000
"""Largest number of creases in a fit, and of readings with creases: a crease makes the fit about
nine times as slow, and each further one adds to that."""
READINGS = ("points_csv", "sections_csv", "outlines")


class DentSpec(Protocol):
    """The part of a case's dent section that `read_dent` uses; exactly one source is set.

    Items of ``shapes`` are `Bowl`, `Crease`, `CreaseLine`, `High`, `Kink`, or objects or mappings
    with ``kind`` (of `KINDS`) and the fields of that class (``line`` for ``line_mm``); fields with
    a default may be absent or ``None``.
    """

    @property
    def points_csv(self) -> str | Path | None:
        """File of scattered points x_mm, y_mm, d_mm."""
        ...

    # Optional attributes: sections_csv; sections (items with name and line); outlines (items with
    # kind, line, closed and radius_mm); a line is a list of places with x_mm, y_mm (and d_mm);
    # scan (see `simkit.case.dent.Scan`).

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
    given = [name for name in ("readings", "grid_csv", "scan", "shapes") if _given(spec, name)]
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
    elif given == ["readings"]:
        field = field_of_readings(*gauge_readings(spec), noise)
    elif given == ["scan"]:
        field = field_of_scan_block(spec, noise)
    else:
        field = field_of_grid(Path(spec.grid_csv or ""), noise)
    if panel_extent is not None:
        check_inside(field, panel_extent)
    return field


def field_of_scan_block(spec: Any, noise_mm: float) -> DepthField:
    """Depth field of a case's block dent.scan; an error names the key in the case."""
    block, other = spec.scan, _get(spec.scan, "reference")
    options = ScanOptions(
        unit=_get(block, "unit"), outside=_get(block, "outside") or "auto",
        along=_get(block, "along"),
        reference=None if other is None else Path(_get(other, "file")),
        reference_unit=None if other is None else _get(other, "unit"),
        mirrored=bool(other is not None and _get(other, "mirrored")))
    place = Placement(float(_get(block, "x_mm")), float(_get(block, "y_mm")),
                  float(_get(block, "angle_deg") or 0.0))
    try:
        return field_of_scan(measured_once(Path(_get(block, "file")), options), place, noise_mm)
    except InputError as error:
        if error.key is not None:
            error.key = f"dent.scan.{error.key}"
        raise


def _given(spec: DentSpec, name: str) -> bool:
    names = READINGS if name == "readings" else (name,)
    return any(getattr(spec, one, None) is not None for one in names)


def gauge_readings(spec: DentSpec) -> tuple[list[GaugePoints], list[Outline]]:
    """Readings from the case's files, and the outlines given with them."""
    parts = []
    if spec.points_csv is not None:
        parts.append(read_loose_points(Path(spec.points_csv)))
    sections = getattr(spec, "sections_csv", None)
    if sections is not None:
        items = getattr(spec, "sections", None) or ()
        lines = [SectionLine(_get(item, "name"), _xy(item)) for item in items]
        parts.append(read_sections(Path(sections), lines))
    outlines = []
    for item in getattr(spec, "outlines", None) or ():
        d = np.array([float(_get(place, "d_mm")) for place in _get(item, "line")])
        outlines.append(Outline(_get(item, "kind"), _xy(item), d, bool(_get(item, "closed")),
                                _get(item, "radius_mm")))
    return parts, outlines


def _xy(item: Any) -> Array:
    return np.array([[float(_get(place, name)) for name in ("x_mm", "y_mm")]
                     for place in _get(item, "line")])


def field_of_points(path: Path, noise_mm: float) -> DepthField:
    """Depth field through the scattered gauge points of a CSV file."""
    return field_of_readings([read_loose_points(path)], [], noise_mm)


def field_of_readings(
    parts: Sequence[GaugePoints], outlines: Sequence[Outline], noise_mm: float
) -> DepthField:
    """Depth field through readings of one or several sources and outlines drawn on the panel."""
    points = merged(joined(parts), noise_mm) if parts else None
    if points is None:
        raise InputError("outlines without readings", "points or sections beside them",
                         key="dent.outlines")
    check_places(points)
    for i, outline in enumerate(outlines):
        check_outline(outline, f"dent.outlines[{i}]")
    creases = sum(outline.kind == "crease" for outline in outlines)
    if creases > MOST_CREASES:
        raise InputError(f"{creases} crease outlines", f"at most {MOST_CREASES}",
                         key="dent.outlines")
    if outlines:
        spacing = 0.5 * anchor_distance(points.xy_mm)
        points = merged(joined([points, *(_drawn(o, spacing) for o in outlines)]), noise_mm)
        check_places(points)
    if creases and len(points.d_mm) > MOST_WITH_CREASES:
        raise InputError(f"{len(points.d_mm)} readings and places of outlines beside creases",
                         f"at most {MOST_WITH_CREASES}", file=points.file or None)
    fit = fit_thin_plate(points, noise_mm, [o for o in outlines if o.kind == "crease"])
    low, high = points.xy_mm.min(axis=0) - fit.reach_mm, points.xy_mm.max(axis=0) + fit.reach_mm
    return DepthField(
        depth=fit,
        reach_mm=(float(low[0]), float(high[0]), float(low[1]), float(high[1])),
        noise_mm=noise_mm,
        source=_words(points, outlines),
        places_mm=points.xy_mm,
        places_line=points.line,
        file=points.file,
        quality=fit.quality,
    )


def _drawn(outline: Outline, spacing_mm: float) -> GaugePoints:
    xy, d = readings_along(outline, spacing_mm)
    none = np.zeros(len(d), dtype=np.int64)
    return GaugePoints("", xy, d, none, none, (Source(f"{outline.kind} outline", None, "outline"),))


def _words(points: GaugePoints, outlines: Sequence[Outline]) -> str:
    scattered, sections = (
        sum(int((points.source == k).sum()) for k, s in enumerate(points.sources) if s.kind == kind)
        for kind in ("points", "section"))
    count = sum(source.kind == "section" for source in points.sources)
    words = [f"{scattered} gauge points"] if scattered else []
    if count:
        words.append(f"{sections} readings in {count} section{'s' if count > 1 else ''}")
    for kind in ("crown", "crease"):
        number = sum(outline.kind == kind for outline in outlines)
        if number:
            words.append(f"{number} {kind} outline{'s' if number > 1 else ''}")
    return " + ".join(words)


def field_of_grid(path: Path, noise_mm: float) -> DepthField:
    """Depth field through the grid of a CSV file."""
    grid = read_grid(path)
    fit = fit_grid(grid, noise_mm)
    ny, nx = grid.d_mm.shape
    # undamaged nodes may lie outside the panel; damaged ones must lie on it
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
        shape.check(f"dent.shapes[{i}]")
    reach = np.array([shape.reach() for shape in shapes])
    # a shape may extend over the panel's edge, but its centre must lie on the panel
    middles = np.vstack([shape.places() for shape in shapes])
    kinds = [NAMES[type(shape)] for shape in shapes]
    return DepthField(
        depth=Shapes(tuple(shapes)),
        reach_mm=(
            float(reach[:, 0].min()), float(reach[:, 1].max()),
            float(reach[:, 2].min()), float(reach[:, 3].max()),
        ),
        noise_mm=noise_mm,
        source="described " + " + ".join(kinds),
        places_mm=middles,
        places_line=np.zeros(len(middles), dtype=np.int64),
        detail_mm=max(min(map(_narrowest, shapes)) / 20.0, 0.1),
    )


def _narrowest(shape: Shape) -> float:
    """Smallest size of a shape, mm: its length or width, or the size of its extent."""
    x0, x1, y0, y1 = shape.reach()
    sizes = [getattr(shape, name, None) for name in ("length_mm", "width_mm")]
    return min([x1 - x0, y1 - y0, *(float(size) for size in sizes if size)])


def _get(item: Any, name: str) -> Any:
    return item.get(name) if isinstance(item, Mapping) else getattr(item, name, None)


def _shape(item: Any, i: int) -> Shape:
    if isinstance(item, Bowl | Crease | CreaseLine | High | Kink):
        return item
    key, kind = f"dent.shapes[{i}]", _get(item, "kind")
    if kind not in KINDS:
        raise InputError(f"found {kind!r}", f"one of {', '.join(KINDS)}", key=f"{key}.kind")
    values: dict[str, Any] = {}
    for entry in fields(KINDS[kind]):
        if entry.name == "line_mm":
            values["line_mm"] = tuple((float(x), float(y)) for x, y in _xy(item))
            continue
        value = _get(item, entry.name)
        if value is not None:
            values[entry.name] = float(value)
        elif entry.default is MISSING:
            raise InputError("missing", "a number", key=f"{key}.{entry.name}")
    shape: Shape = KINDS[kind](**values)
    return shape
