"""The quality report of a scan: facts, doubts, advice."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.scan.cells import Cells
from simkit.scan.clean import CleanScan
from simkit.scan.depth import Depth, Undamaged
from simkit.scan.files import RawScan
from simkit.scan.reference import Mask, Reference

Array = NDArray[np.float64]
STRAIGHT_MM = 5.0e4
"""Radius above which a panel counts as straight."""


@dataclass(frozen=True)
class Facts:
    """Input of the report; see `simkit.scan.pipeline`."""

    path: Path
    unit: str
    raw: RawScan
    sheet: CleanScan
    outside: str
    surface: Undamaged
    reference: Reference | None
    depth: Depth
    cells: Cells
    deviation: Array
    damage: Mask
    box_mm: Array | None
    overlap: float | None
    rms_mm: float


@dataclass(frozen=True)
class ScanQuality:
    """Facts about a scan and its depth field; lengths in mm, areas in mm^2, shares 0 to 1.

    Attributes
    ----------
    points, kept, outliers, islands : numbers of points read, used, removed because they are off the
        sheet, removed because they are beside it.
    spacing_mm : mean distance of points; noise_mm : standard deviation of one point.
    smoothing_mm : shortest and longest smoothing length.
    length_mm, width_mm : size of the scan.
    radius_x_mm, radius_y_mm : radii of the undamaged panel, > 0 convex, None if straight.
    feature_lines : number; feature_turns_deg : turn of the panel across each.
    reference : its description; reference_rms_mm : rms deviation outside the damage.
    damage_share : damaged share of the scan; holes : their number; hole_area_mm2 : their area;
        hole_in_damage_mm2 : their area within the damage.
    lowest_mm, highest_mm : extremes of the depth field.
    outside : how the outer side was determined.
    notes : doubts and advice, in sentences.
    """

    file: str
    unit: str
    points: int
    kept: int
    outliers: int
    islands: int
    spacing_mm: float
    noise_mm: float
    smoothing_mm: tuple[float, float]
    length_mm: float
    width_mm: float
    radius_x_mm: float | None
    radius_y_mm: float | None
    feature_lines: int
    feature_turns_deg: tuple[float, ...]
    reference: str
    reference_rms_mm: float
    damage_share: float
    holes: int
    hole_area_mm2: float
    hole_in_damage_mm2: float
    lowest_mm: float
    highest_mm: float
    outside: str
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)

    def lines(self) -> list[tuple[str, str]]:
        """Pairs of a heading and a line of text."""
        left = f"{self.outliers} outliers and {self.islands} points beside the sheet left out"
        panel = f"{self.length_mm:.0f} x {self.width_mm:.0f} mm, " + _radii(self)
        if self.feature_lines:
            turns = ", ".join(f"{abs(turn):.0f}" for turn in self.feature_turns_deg)
            panel += f", {self.feature_lines} feature line(s) turning by {turns} degrees"
        over = " to ".join(f"{length:.2g}" for length in self.smoothing_mm)
        holes = f"{self.holes} of {self.hole_area_mm2:.0f} mm2" if self.holes else "none"
        if self.hole_in_damage_mm2:
            holes += f", {self.hole_in_damage_mm2:.0f} mm2 in the damage, filled smoothly"
        return [
            ("scan", f"{self.file}: {self.points} points in {self.unit}, {self.kept} used, {left}"),
            ("points", f"{self.spacing_mm:.2f} mm apart, noise {self.noise_mm:.3f} mm each, "
                       f"smoothed over {over} mm"),
            ("panel", panel),
            ("outside", self.outside),
            ("reference", f"{self.reference}; deviation {self.reference_rms_mm:.3f} mm rms outside "
                          f"the damage"),
            ("holes", holes),
            ("field", f"low {self.lowest_mm:+.2f}, high {self.highest_mm:+.2f} mm; damage on "
                      f"{100 * self.damage_share:.0f} % of the scan"),
            *(("note", note) for note in self.notes),
        ]


def _radii(quality: ScanQuality) -> str:
    words = []
    for axis, radius in (("x", quality.radius_x_mm), ("y", quality.radius_y_mm)):
        if radius is None:
            words.append(f"straight in {axis}")
        else:
            way = "" if radius > 0.0 else " inward"
            words.append(f"radius {abs(radius):.0f} mm{way} in {axis}")
    return ", ".join(words)


def judge(facts: Facts) -> ScanQuality:
    """The report on a measured scan."""
    depth, sheet = facts.depth, facts.sheet
    size = np.ptp(sheet.points[:, :2], axis=0)
    cell = depth.cover.step_mm**2
    in_hole = depth.holes > 0
    x, y = depth.cover.middles_mm
    inside = np.zeros_like(in_hole)
    if facts.box_mm is not None:
        (x0, y0), (x1, y1) = facts.box_mm
        inside = ((x >= x0) & (x <= x1))[:, None] & ((y >= y0) & (y <= y1))[None, :]
    chart = facts.reference.chart if facts.reference else None
    radii = _radius(facts, 0), _radius(facts, 1)
    quality = ScanQuality(
        file=facts.path.name, unit=facts.unit, points=len(facts.raw.points), kept=len(sheet.kept),
        outliers=sheet.outliers + depth.outliers, islands=sheet.islands,
        spacing_mm=sheet.spacing_mm, noise_mm=depth.noise_mm, smoothing_mm=depth.smoothing_mm,
        length_mm=float(size[0]), width_mm=float(size[1]),
        radius_x_mm=radii[0], radius_y_mm=radii[1],
        feature_lines=len(chart.lines_mm) if chart else 0,
        feature_turns_deg=tuple(float(np.degrees(t)) for t in chart.turns_rad) if chart else (),
        reference=_words(facts), reference_rms_mm=facts.rms_mm,
        damage_share=float(facts.damage[np.isfinite(facts.deviation)].mean()),
        holes=int(depth.holes.max()), hole_area_mm2=float(in_hole.sum() * cell),
        hole_in_damage_mm2=float((in_hole & inside).sum() * cell),
        lowest_mm=float(depth.d_mm.min()), highest_mm=float(depth.d_mm.max()),
        outside=facts.outside, notes=())
    return _with_notes(quality, facts)


def _words(facts: Facts) -> str:
    if facts.reference is None:
        return f"second scan, {100 * (facts.overlap or 0.0):.0f} % of it overlaps this one"
    degree, stiffness = facts.reference.model
    soft = "" if stiffness > 1e-3 else " and a soft spline"
    return f"fitted to the surroundings, polynomial of degree {degree}{soft}"


def _radius(facts: Facts, axis: int) -> float | None:
    """Radius [mm] of the undamaged surface along x or y; None if straight.

    From the median curvature of parabolas fitted along three lines.
    """
    low, high = facts.sheet.points[:, :2].min(axis=0), facts.sheet.points[:, :2].max(axis=0)
    at = np.linspace(low[axis], high[axis], 41)
    bends = []
    for share in (0.3, 0.5, 0.7):
        other = np.full_like(at, low[1 - axis] + share * (high[1 - axis] - low[1 - axis]))
        line = (at, other) if axis == 0 else (other, at)
        bends.append(float(np.polyfit(at, facts.surface.gradient(*line)[0], 2)[0]))
    bend = float(np.median(bends))
    return None if abs(bend) < 0.5 / STRAIGHT_MM else -0.5 / bend


def _with_notes(quality: ScanQuality, facts: Facts) -> ScanQuality:
    notes = []
    damaged = facts.damage.any()
    if quality.hole_in_damage_mm2 > 0.0:
        notes.append(f"{quality.hole_in_damage_mm2:.0f} mm2 of the damage were not seen by the "
                     "scanner and are filled smoothly: measure there")
    if quality.spacing_mm > 5.0:
        notes.append(f"points {quality.spacing_mm:.1f} mm apart cannot show a crease: scan finer")
    if quality.outliers > 0.1 * quality.points:
        notes.append(f"{100 * quality.outliers / quality.points:.0f} % of the points were left out "
                     "as outliers: was it one panel?")
    if facts.reference is not None and facts.reference.rim_share > 0.1 and damaged:
        notes.append(f"damage on {100 * facts.reference.rim_share:.0f} % of the scan's rim: the "
                     "reference is extrapolated there, scan further out")
    if facts.reference is not None and facts.reference.model[1] < 1e-6:
        notes.append("the panel needed a very soft reference, which may follow wide shallow marks: "
                     "check the map, or give a second scan as reference")
    return ScanQuality(**{**asdict(quality), "notes": tuple(notes)})
