"""A damage reading as lines of text."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simkit.inspection.crown import CrownRing
from simkit.inspection.damage.creases import CreaseLine
from simkit.inspection.damage.reading import DamageReading, StrainEstimate

MOST_LINES = 12


def text_of(reading: DamageReading) -> list[str]:
    """The reading as lines for the terminal, the most important first."""
    lines = [f"Damage of {reading.source}, marks beyond {reading.tolerance_mm:.2g} mm"]
    if not reading.spots:
        return [*lines, "  no damage beyond the tolerance", *_notes(reading)]
    lines += ["", "Areas that can be worked separately"]
    for area in reading.areas[:MOST_LINES]:
        x0, x1, y0, y1 = area.box_mm
        lines.append(f"  {area.label}: x {x0:.0f} to {x1:.0f}, y {y0:.0f} to {y1:.0f} mm; "
                     f"{area.area_mm2 / 100.0:.1f} cm2; low {area.lowest_mm:+.2f}, high "
                     f"{area.highest_mm:+.2f} mm; spots {_listed(area.spots)}")
    lines += ["", "Lows and highs"]
    for spot, ring, access in zip(reading.spots[:MOST_LINES], reading.crowns, reading.access,
                                  strict=False):
        line = (f"  {spot.label}: {spot.kind} {spot.height_mm:+.2f} mm at ({spot.x_mm:.0f}, "
                f"{spot.y_mm:.0f}), {spot.long_mm:.0f} x {spot.short_mm:.0f} mm, "
                f"{spot.area_mm2 / 100.0:.1f} cm2, up to {spot.slope_mrad:.0f} mrad")
        if access is not None:
            line += "; push reaches it" if access.push else f"; no push: {access.reason}"
        lines.append(line)
        if ring is not None:
            lines.append("     " + crown_text(ring))
    if len(reading.spots) > MOST_LINES:
        lines.append(f"  and {len(reading.spots) - MOST_LINES} more, see the files")
    lines += ["", "Creases"]
    lines += [f"  {crease_text(line)}" for line in reading.creases[:MOST_LINES]] or ["  none"]
    if reading.kinks:
        lines += ["", "Kinks at the edge"]
        lines += [f"  {k.side} edge at ({k.x_mm:.0f}, {k.y_mm:.0f}): turns by {k.turn_deg:+.1f} "
                  f"degrees, radius {k.radius_mm:.0f} mm, d {k.d_mm:+.2f} mm"
                  for k in reading.kinks[:MOST_LINES]]
    return [*lines, "", *strain_text(reading.strain), *_notes(reading)]


def crown_text(ring: CrownRing) -> str:
    """The crown around a low in words."""
    known = np.isfinite(ring.d_mm)
    return (f"crown {ring.height_mm:+.2f} mm at its highest, ({ring.xy_mm[0]:.0f}, "
            f"{ring.xy_mm[1]:.0f}); {ring.mean_mm:+.2f} mm on average, "
            f"{np.nanmean(ring.ring_mm):.0f} mm from the low, in "
            f"{100.0 * known.mean():.0f} % of the directions")


def crease_text(line: CreaseLine) -> str:
    """A crease in words."""
    start, end = line.xy_mm[0], line.xy_mm[-1]
    where = ("closed, round" if line.closed else
             f"from ({start[0]:.0f}, {start[1]:.0f}) to ({end[0]:.0f}, {end[1]:.0f}),")
    x, y = line.sharpest_xy_mm
    return (f"{line.kind} {where} {line.length_mm:.0f} mm long; sharpest radius "
            f"{line.sharpest_mm:.1f} mm at ({x:.0f}, {y:.0f}), turns by {line.turn_deg:.1f} deg"
            + ("; smoothed by the scan, it may be sharper" if line.blunted else ""))


def strain_text(strain: StrainEstimate | None) -> list[str]:
    """The strain estimate in words, with its formula."""
    if strain is None:
        return ["Strain: not estimated without the sheet's thickness (--thickness)"]
    x, y = strain.xy_mm
    lines = [
        f"Strain from the shape alone (an estimate): {100 * strain.total:.1f} % at ({x:.0f}, "
        f"{y:.0f}); bending up to {100 * strain.bending:.1f} %, membrane up to "
        f"{100 * strain.membrane:.2f} %",
        "  bending = thickness x curvature / 2 at the faces, membrane = the smallest strain of a",
        "  sheet free to slide in its plane; strain by bending and unbending is not included"]
    if strain.plastic is not None and strain.plastic_area_mm2 is not None:
        lines.append(f"  beyond yield: up to {100 * strain.plastic:.1f} % plastic, on "
                     f"{strain.plastic_area_mm2 / 100.0:.1f} cm2")
    return lines


def _notes(reading: DamageReading) -> list[str]:
    return [f"note: {note}" for note in reading.notes]


def _listed(numbers: Sequence[int]) -> str:
    shown = ", ".join(str(n) for n in numbers[:8])
    return shown + (", ..." if len(numbers) > 8 else "")
