"""From a scan file to an undamaged surface, a depth field and a report on their quality."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.dent.grid import DepthGrid
from simkit.errors import InputError
from simkit.scan.cells import Cells, sort_into_cells
from simkit.scan.clean import CleanScan, clean_sheet
from simkit.scan.depth import Depth, Undamaged, down_normals, fit_depth
from simkit.scan.files import RawScan, read_scan_file
from simkit.scan.frame import Frame, centred
from simkit.scan.orient import Side, direction, outer_side
from simkit.scan.quality import Facts, ScanQuality, judge
from simkit.scan.reference import (
    MOST_DAMAGE,
    MOST_RIM,
    SMALLEST_DAMAGE_MM,
    Mask,
    Reference,
    damage_of,
    fit_reference,
    noise_of_cells,
    rim_share,
    well_filled,
)
from simkit.scan.register import lay_onto, smooth_sheet
from simkit.scan.triangles import thickened
from simkit.scan.units import in_mm

Array = NDArray[np.float64]
Progress = Callable[[str], None]
WORST_FIT, LARGEST_NOISE_MM = 3.0, 1.0
"""Largest rms of the fit outside the damage over the noise of a cell; largest noise."""
BUMP_SHARE = 2.0
"""If the highest high is larger than the deepest low by this factor, the scan seems to be seen from
inside."""


@dataclass(frozen=True)
class ScanOptions:
    """Options of a scan.

    Attributes
    ----------
    unit : mm, m or inch; must be given.
    outside : auto, normals, flipped, or an axis of the file such as +z (`simkit.scan.orient`).
    along : axis of the file along which the panel's x runs; None: the longer side.
    reference : second scan, of the undamaged panel; None: the undamaged surface is fitted to the
        surroundings of the damage.
    reference_unit : unit of the second scan; None: the same.
    mirrored : True if the second scan is of the same panel on the other side of the vehicle.
    """

    unit: str | None = None
    outside: str = "auto"
    along: str | None = None
    reference: Path | None = None
    reference_unit: str | None = None
    mirrored: bool = False


@dataclass(frozen=True)
class Measured:
    """Result of the measurement of a scan.

    Attributes
    ----------
    frame : panel frame in the scan; z is outward.
    surface : undamaged surface z(x, y); reference : details of its fit, None for a second scan.
    depth : the depth field on a grid; cells, deviation (nx, ny), damage (nx, ny) : for maps.
    box_mm : (2, 2) lower and upper corner of the damage; None if there is none.
    quality : facts, doubts and advice.
    """

    file: str
    frame: Frame
    surface: Undamaged
    reference: Reference | None
    depth: Depth
    cells: Cells
    deviation: Array
    damage: Mask
    box_mm: Array | None
    quality: ScanQuality

    def grid(self) -> DepthGrid:
        """The depth field as a grid of readings."""
        return DepthGrid(self.file, self.depth.x_mm, self.depth.y_mm, self.depth.d_mm,
                         np.zeros(len(self.depth.y_mm), dtype=np.int64))


def measure_scan(path: Path, options: ScanOptions, progress: Progress = lambda text: None
                 ) -> Measured:
    """Read, clean, orient and measure a scan.

    Raises
    ------
    InputError : unreadable or truncated file, no or wrong unit, two sheets, too few points,
        normals that point inward, no undamaged surroundings, a reference that does not fit.
    """
    raw, sheet = _sheet(path, options.unit, progress)
    side = outer_side(sheet.frame, raw, sheet.kept, options.outside)
    sheet = _in(sheet, raw, direction(side.frame, options.along, raw.file))
    progress("looking for the undamaged surface")
    surface, look, sheet = _undamaged(sheet, options, progress)
    side, turned = _checked_side(side, look, raw.file)
    if turned:
        sheet = _in(sheet, raw, direction(sheet.frame.over(), options.along, raw.file))
        surface, look, sheet = _undamaged(sheet, options, progress)
    box = _box(look.cells, look.damage)
    _check_surroundings(look, surface, raw.file)
    progress("depth field")
    whole = np.array([sheet.points[:, :2].min(axis=0), sheet.points[:, :2].max(axis=0)])
    depth = fit_depth(
        sheet.points, surface, sheet.spacing_mm, whole if box is None else box,
        lambda xy: look.cells.at(look.damage.astype(float), xy) > 0.0)
    reference = surface if isinstance(surface, Reference) else None
    quality = judge(Facts(path, options.unit or "", raw, sheet, side.how, surface, reference, depth,
                          look.cells, look.deviation, look.damage, box, look.overlap,
                          look.rms_mm))
    return Measured(str(path), sheet.frame, surface, reference, depth, look.cells, look.deviation,
                    look.damage, box, quality)


@dataclass(frozen=True)
class _Look:
    """Deviations of cells from the undamaged surface, and the damage in them."""

    cells: Cells
    deviation: Array
    damage: Mask
    damage_share: float
    rim_share: float
    rms_mm: float
    floor_mm: float
    noise_mm: float = 0.0
    overlap: float | None = None


def _sheet(path: Path, unit: str | None, progress: Progress) -> tuple[RawScan, CleanScan]:
    progress(f"reading {path.name}")
    raw = read_scan_file(path)
    raw = thickened(replace(raw, points=in_mm(raw.points, unit, raw.file)))
    progress(f"cleaning {len(raw.points)} points")
    return raw, clean_sheet(raw.points, raw.file)


def _in(sheet: CleanScan, raw: RawScan, frame: Frame) -> CleanScan:
    points = raw.points[sheet.kept]
    frame = centred(frame, points)
    return replace(sheet, frame=frame, points=frame.of(points))


def _undamaged(sheet: CleanScan, options: ScanOptions, progress: Progress
               ) -> tuple[Undamaged, _Look, CleanScan]:
    """The undamaged surface (fitted, or a second scan), the deviations from it, and the sheet.

    Points outside a second scan are removed from the sheet.
    """
    if options.reference is None:
        fit = fit_reference(sheet.points, sheet.spacing_mm)
        return fit, _Look(fit.cells, fit.deviation, fit.damage, fit.damage_share, fit.rim_share,
                          fit.rms_mm, fit.floor_mm, fit.noise_mm), sheet
    file = str(options.reference)
    _, other = _sheet(options.reference, options.reference_unit or options.unit, progress)
    progress("fitting the reference scan to it")
    laid = lay_onto(other, sheet, options.mirrored, file)
    surface = smooth_sheet(laid.points, other.spacing_mm, 2.0, over=1.0)
    on = surface.covers(sheet.points[:, :2])
    sheet = replace(sheet, points=sheet.points[on], kept=sheet.kept[on])
    feet, d = down_normals(sheet.points, surface)
    low, high = sheet.points[:, :2].min(axis=0), sheet.points[:, :2].max(axis=0)
    step = max(float(np.sqrt(np.prod(high - low) / 40_000)), 1.6 * sheet.spacing_mm)
    cells = sort_into_cells(feet, step, low, high + 1e-6)
    deviation = np.where(well_filled(cells), cells.medians(d), np.nan)
    floor = noise_of_cells(deviation)
    damage = damage_of(deviation, floor)
    known = np.isfinite(deviation)
    rest = deviation[known & ~damage]
    rms = float(np.sqrt(np.mean(rest**2))) if rest.size else np.inf
    return surface, _Look(cells, deviation, damage, float(damage[known].mean()),
                          rim_share(damage, known), rms, floor, overlap=laid.overlap), sheet


def _checked_side(side: Side, look: _Look, file: str) -> tuple[Side, bool]:
    """Whether to turn the scan over; raises `InputError` if normals seem to point inward.

    Damage is mostly low. If a file with normals shows mostly highs, it is refused unless the user
    has stated the outer side. Without normals the side is chosen from which the damage is low.
    """
    # percentiles instead of extremes: a single stray point in a cell must not decide
    marks = look.deviation[look.damage & np.isfinite(look.deviation)]
    low, high = (-np.percentile(marks, 0.5), np.percentile(marks, 99.5)) if marks.size else (0, 0)
    bump = high > max(BUMP_SHARE * low, SMALLEST_DAMAGE_MM)
    if not bump or (side.sure and side.trusted):
        return side, False
    if side.sure:
        raise InputError(
            f"the marks stand out (highest {high:+.2f} mm, lowest {-low:+.2f} mm): the normals "
            "seem to point inward", "outside: flipped; or outside: normals if it is a bump",
            file=file, key="outside")
    return side, True


def _check_surroundings(look: _Look, surface: Undamaged, file: str) -> None:
    """Raise `InputError` if the undamaged surface cannot be trusted, with the reason."""
    noise = max(look.floor_mm, look.noise_mm)
    if noise > LARGEST_NOISE_MM:
        raise InputError(
            f"the points scatter by {noise:.2g} mm about any smooth surface",
            "one side of one panel; is the unit right, is it a closed body?", file=file)
    if look.damage_share > MOST_DAMAGE or look.rim_share > MOST_RIM:
        raise InputError(
            f"no undamaged surroundings: {100 * look.damage_share:.0f} % of the scan and "
            f"{100 * look.rim_share:.0f} % of its rim depart from any smooth panel",
            "a scan that reaches well beyond the damage, or a second scan as reference", file=file)
    if look.rms_mm > WORST_FIT * max(look.floor_mm, 0.02):
        raise InputError(
            f"no smooth panel fits: the deviation outside the damage is {look.rms_mm:.2f} mm rms, "
            f"with a noise of {look.floor_mm:.2f} mm",
            "one panel with at most parallel feature lines, or a second scan as reference",
            file=file)
    if not look.damage.any():
        hollow = isinstance(surface, Reference) and _hollow(surface)
        what = "no damage is larger than the noise"
        if hollow:
            what += ", but the whole scan is concave: is it the inside of a dent?"
        raise InputError(what, "a scan that reaches well beyond the damage: without undamaged "
                         "surroundings the inside of a dent looks like a panel", file=file)


def _hollow(surface: Reference) -> bool:
    """Whether the ends of both middle lines are higher than their middle by more than 0.5 mm."""
    x, y = surface.cells.middles_mm
    bends = []
    for line in ((x, np.full_like(x, y[len(y) // 2])), (np.full_like(y, x[len(x) // 2]), y)):
        z = surface(*line)
        bends.append(0.5 * (z[0] + z[-1]) - z[len(z) // 2])
    return bool(min(bends) > 0.5)


def _box(cells: Cells, damage: Mask) -> Array | None:
    """(2, 2) corners of the rectangle around the damaged cells; None without damage."""
    if not damage.any():
        return None
    ends = [np.flatnonzero(damage.any(axis=1 - i))[[0, -1]] for i in (0, 1)]
    return np.array([[cells.low_mm[i] + cells.step_mm * (ends[i][k] + k) for i in (0, 1)]
                     for k in (0, 1)])
