"""The reading of a depth field: lows, highs, crowns, creases, kinks, areas, strain, access."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from simkit.case import Case
from simkit.case.panel import Panel
from simkit.case.plan import plan_bounds
from simkit.dent.field import DepthField, Extent
from simkit.dent.strain import ShapeStrain, strain_from_shape
from simkit.inspection.crown import CrownRing, crown_ring
from simkit.inspection.damage.access import Access, access_at
from simkit.inspection.damage.creases import CreaseLine, find_creases
from simkit.inspection.damage.edge import EdgeKink, find_edge_kinks
from simkit.inspection.spots import SampledField, Spot, describe_spots, spot_labels
from simkit.material.grades import load_grade

Array = NDArray[np.float64]
MOST_SAMPLES = 400
APART_MM = 30.0
"""Undamaged sheet between two areas that can be worked separately: room for a tab of 30 mm (common
practice, no source)."""
MARGIN_MM = 30.0
"""Undamaged margin of the field around the damage."""


@dataclass(frozen=True)
class Surroundings:
    """Data known in addition to the depth field; None if unknown.

    ``panel`` of a case; ``thickness_mm`` of the sheet; ``yield_strain``, no unit.
    """

    panel: Panel | None = None
    thickness_mm: float | None = None
    yield_strain: float | None = None

    @classmethod
    def of_case(cls, case: Case) -> Surroundings:
        """Panel, thickness and yield strain of a case."""
        return cls(case.panel, case.panel.thickness_mm, yield_strain_of(case.panel.grade))


def yield_strain_of(grade: str) -> float:
    """Initial yield stress of a grade over its Young's modulus."""
    sheet = load_grade(grade).sheet()
    return float(sheet.tension(0.0)) / sheet.E_MPa


@dataclass(frozen=True)
class Area:
    """Part of the damage that can be worked by itself.

    ``label``: 1 for the largest |d|; ``area_mm2``: area beyond the tolerance; ``lowest_mm``,
    ``highest_mm``: extremes; ``volume_mm3``: volume of |d|; ``box_mm``: (x_min, x_max, y_min,
    y_max); ``spots``: labels of its spots.
    """

    label: int
    area_mm2: float
    lowest_mm: float
    highest_mm: float
    volume_mm3: float
    box_mm: Extent
    spots: tuple[int, ...]


@dataclass(frozen=True)
class StrainEstimate:
    """Strain estimated from the shape alone.

    ``bending``: t |k| / 2 at the faces; ``membrane``: the smallest that the shape allows (see
    `simkit.dent.strain`), each the largest value anywhere; ``total``: their largest sum, at
    ``xy_mm``; ``plastic``: this less the yield strain; ``plastic_area_mm2``: area in which it is
    above zero; None without a grade.
    """

    bending: float
    membrane: float
    total: float
    xy_mm: tuple[float, float]
    plastic: float | None
    plastic_area_mm2: float | None


@dataclass(frozen=True)
class DamageReading:
    """All findings in a depth field.

    ``crowns`` and ``access`` belong to the ``spots`` in their order; ``field`` is the sampled
    field, ``labels`` (ny, nx) the numbers of the areas in it.
    """

    source: str
    tolerance_mm: float
    field: SampledField
    labels: NDArray[np.int64]
    spots: tuple[Spot, ...]
    crowns: tuple[CrownRing | None, ...]
    access: tuple[Access | None, ...]
    creases: tuple[CreaseLine, ...]
    kinks: tuple[EdgeKink, ...]
    areas: tuple[Area, ...]
    strain: StrainEstimate | None
    known: Surroundings
    notes: tuple[str, ...]


def read_damage(depth: DepthField, known: Surroundings, tolerance_mm: float) -> DamageReading:
    """Read a depth field; deviations below the tolerance, or three times the noise, do not count.
    """
    tolerance = max(tolerance_mm, 3.0 * depth.noise_mm)
    field = sampled(depth, known.panel)
    labels = spot_labels(field, tolerance)
    spots = describe_spots(field, labels)
    panel = known.panel
    areas, area_labels = _areas(field, labels, tolerance)
    notes = list(depth.quality.notes)
    if tolerance > tolerance_mm:
        notes.append(f"deviations count from {tolerance:.2g} mm on, three times the noise")
    return DamageReading(
        source=depth.source, tolerance_mm=tolerance, field=field, labels=area_labels,
        spots=tuple(spots),
        crowns=tuple(crown_ring(field, spot) if spot.kind == "low" else None for spot in spots),
        access=tuple(None if panel is None else access_at(panel, s.x_mm, s.y_mm) for s in spots),
        creases=tuple(find_creases(depth, field)),
        kinks=tuple([] if panel is None else find_edge_kinks(depth, border_of(panel))),
        areas=areas, strain=_strain(depth, known), known=known, notes=tuple(notes))


def sampled(depth: DepthField, panel: Panel | None) -> SampledField:
    """The field on a regular grid over the damage and its surroundings, on the panel only."""
    x0, x1, y0, y1 = depth.reach_mm
    a, b, c, d = depth.box_mm
    x0, x1 = max(x0, a - MARGIN_MM), min(x1, b + MARGIN_MM)
    y0, y1 = max(y0, c - MARGIN_MM), min(y1, d + MARGIN_MM)
    if panel is not None:
        p0, p1, q0, q1 = plan_bounds(panel)
        x0, x1, y0, y1 = max(x0, p0), min(x1, p1), max(y0, q0), min(y1, q1)
    step = max(max(x1 - x0, y1 - y0) / MOST_SAMPLES, 0.5)
    x = np.linspace(x0, x1, max(9, round((x1 - x0) / step) + 1))
    y = np.linspace(y0, y1, max(9, round((y1 - y0) / step) + 1))
    valid = None
    if panel is not None and panel.outline == "disc":
        valid = np.hypot(x[None, :], y[:, None]) <= (panel.radius_mm or 0.0)
    return SampledField(x, y, depth(x[None, :], y[:, None]), valid)


def border_of(panel: Panel, step_mm: float = 0.25) -> dict[str, Array]:
    """Places along each side of a panel, about ``step_mm`` apart."""
    if panel.outline == "disc":
        radius = panel.radius_mm or 0.0
        t = np.linspace(0.0, 2.0 * np.pi, max(16, round(2.0 * np.pi * radius / step_mm)))
        return {"rim": radius * np.column_stack([np.cos(t), np.sin(t)])}
    x0, x1, y0, y1 = plan_bounds(panel)
    x = np.linspace(x0, x1, max(16, round((x1 - x0) / step_mm)))
    y = np.linspace(y0, y1, max(16, round((y1 - y0) / step_mm)))
    return {"left": np.column_stack([np.full_like(y, x0), y]),
            "right": np.column_stack([np.full_like(y, x1), y]),
            "bottom": np.column_stack([x, np.full_like(x, y0)]),
            "top": np.column_stack([x, np.full_like(x, y1)])}


def _areas(field: SampledField, spots: NDArray[np.int64], tolerance: float
           ) -> tuple[tuple[Area, ...], NDArray[np.int64]]:
    """Areas of the damage with at least `APART_MM` of undamaged sheet between them, and their map.
    """
    marked = field.on_panel & (np.abs(np.where(field.on_panel, field.d_mm, 0.0)) > tolerance)
    dx, dy = field.step_mm
    if not marked.any():
        return (), np.zeros(marked.shape, dtype=np.int64)
    away = ndimage.distance_transform_edt(~marked, sampling=(dy, dx))
    joined, number = ndimage.label(away < 0.5 * APART_MM, np.ones((3, 3)))
    joined = np.where(marked, joined, 0)
    found = []
    for k in range(1, number + 1):
        own = joined == k
        if not own.any():
            continue
        d = field.d_mm[own]
        rows, columns = np.nonzero(own)
        box = (field.x_mm[columns.min()], field.x_mm[columns.max()],
               field.y_mm[rows.min()], field.y_mm[rows.max()])
        found.append((k, Area(
            0, float(own.sum() * dx * dy), float(min(d.min(), 0.0)), float(max(d.max(), 0.0)),
            float(np.abs(d).sum() * dx * dy),
            (float(box[0]), float(box[1]), float(box[2]), float(box[3])),
            tuple(int(s) for s in np.unique(spots[own]) if s > 0))))
    found.sort(key=lambda one: -max(-one[1].lowest_mm, one[1].highest_mm))
    labels = np.zeros(marked.shape, dtype=np.int64)
    areas = []
    for label, (k, area) in enumerate(found, 1):
        labels[joined == k] = label
        areas.append(Area(label, area.area_mm2, area.lowest_mm, area.highest_mm, area.volume_mm3,
                          area.box_mm, area.spots))
    return tuple(areas), labels


def _strain(depth: DepthField, known: Surroundings) -> StrainEstimate | None:
    """Strain estimated from the shape; None without a thickness."""
    if known.thickness_mm is None:
        return None
    x0, x1, y0, y1 = depth.box_mm
    count = int(np.clip(max(x1 - x0, y1 - y0) / 0.8, 121, 401))
    panel = known.panel
    radii = (np.inf, np.inf) if panel is None else (
        panel.radius_x_mm or np.inf, panel.radius_y_mm or np.inf)
    strain: ShapeStrain = strain_from_shape(depth, known.thickness_mm, count, radii)
    total = strain.bending + strain.membrane
    plastic = area = None
    if known.yield_strain is not None:
        over = total - known.yield_strain
        cell = (strain.x_mm[1] - strain.x_mm[0]) * (strain.y_mm[1] - strain.y_mm[0])
        plastic, area = max(0.0, float(over.max())), float((over > 0.0).sum() * cell)
    return StrainEstimate(float(strain.bending.max()), float(strain.membrane.max()),
                          strain.largest, strain.largest_xy_mm, plastic, area)
