"""The spots of a measured depth field, their sizes, and the mesh and grid that they need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from simkit.dent.field import DepthField
from simkit.inspection.spots import Array, SampledField, Spot, describe_spots, find_spots

ELEMENTS_PER_SPOT = 2.5
"""Elements across a spot at half its height: quadratic splines then represent a bell within 2 %."""
SAMPLES_PER_SPOT = 4.0
"""Grid steps across a spot at half its height: its largest sample is then within 2 % of its top."""


@dataclass(frozen=True)
class WantedSpot:
    """A measured low or high.

    Attributes
    ----------
    spot : the spot beyond the tolerance.
    long_mm, short_mm, angle_deg : axes of its part beyond half its height, and their direction.
    box_mm : x from, to, y from, to of that part.
    """

    spot: Spot
    long_mm: float
    short_mm: float
    angle_deg: float
    box_mm: tuple[float, float, float, float]

    @property
    def element_mm(self) -> float:
        """Largest element that represents it, mm."""
        return self.short_mm / ELEMENTS_PER_SPOT

    @property
    def step_mm(self) -> float:
        """Largest grid step that shows it, mm."""
        return self.short_mm / SAMPLES_PER_SPOT


def wanted_spots(depth: DepthField, tolerance_mm: float) -> tuple[WantedSpot, ...]:
    """Every low and high of a measured field beyond the tolerance, the largest first.

    The field is sampled with the distance of its readings. Deviations below three standard errors
    of a reading are no spots.
    """
    x, y, d = depth.closely()
    field = SampledField(x, y, d)
    found = find_spots(field, max(tolerance_mm, 3.0 * depth.noise_mm))
    return tuple(_with_size(field, spot) for spot in found)


def _with_size(field: SampledField, spot: Spot) -> WantedSpot:
    part = half_height(field, spot)
    rows, columns = np.nonzero(part)
    (one,) = describe_spots(field, part.astype(np.int64))
    dx, dy = field.step_mm
    box = (float(field.x_mm[columns.min()] - 0.5 * dx), float(field.x_mm[columns.max()] + 0.5 * dx),
           float(field.y_mm[rows.min()] - 0.5 * dy), float(field.y_mm[rows.max()] + 0.5 * dy))
    return WantedSpot(spot, one.long_mm, one.short_mm, one.angle_deg, box)


def half_height(field: SampledField, spot: Spot) -> NDArray[np.bool_]:
    """(ny, nx) the connected part around a spot's extreme beyond half its height."""
    sign = np.sign(spot.height_mm)
    column = int(np.argmin(np.abs(field.x_mm - spot.x_mm)))
    row = int(np.argmin(np.abs(field.y_mm - spot.y_mm)))
    here = field.on_panel & (sign * field.d_mm > 0.5 * abs(spot.height_mm))
    here[row, column] = True
    parts, _ = label(here)
    return np.asarray(parts == parts[row, column])


def field_on(depth: DepthField, like: SampledField) -> SampledField:
    """The measured field on another field's grid."""
    d = np.asarray(depth(like.x_mm[None, :], like.y_mm[:, None]), dtype=float)
    return SampledField(like.x_mm, like.y_mm, np.where(like.on_panel, d, np.nan), like.valid)


def narrowest(spots: tuple[WantedSpot, ...]) -> float:
    """Grid step that shows all spots, mm; infinite without any."""
    return min((one.step_mm for one in spots), default=float("inf"))


def covered(box: tuple[float, float, float, float],
            spots: tuple[WantedSpot, ...]) -> tuple[float, float, float, float]:
    """The smallest box that contains a box and all spots."""
    boxes: Array = np.array([box, *(one.box_mm for one in spots)])
    return (float(boxes[:, 0].min()), float(boxes[:, 1].max()),
            float(boxes[:, 2].min()), float(boxes[:, 3].max()))
