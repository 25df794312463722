"""A reading on disk: reading.json, reading.csv, reading.npz; and the results of a scan.

For a scan also depth.csv and panel.csv (both in the format of case files), case.yaml as a first
case file, scan.json and scan.npz. Every file is written completely or not at all.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.dent.field import DepthField
from simkit.files import write_arrays, write_atomic, write_json, write_table
from simkit.inspection.damage.reading import DamageReading
from simkit.scan.pipeline import Measured

Array = NDArray[np.float64]
FORMAT_VERSION = 1
COLUMNS = ("finding", "label", "x_mm", "y_mm", "d_mm", "length_mm", "width_mm", "angle_deg",
           "area_mm2", "radius_mm", "turn_deg", "crown_mm", "push", "remark")
PANEL_STEPS = 121


def write_reading(folder: Path, reading: DamageReading, title: str) -> list[Path]:
    """Write a reading into a folder; returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / name for name in ("reading.json", "reading.csv", "reading.npz")]
    write_json(files[0], as_data(reading, title))
    write_table(files[1], COLUMNS, rows_of(reading))
    field = reading.field
    write_arrays(files[2], {"x_mm": field.x_mm, "y_mm": field.y_mm,
                            "d_mm": np.where(field.on_panel, field.d_mm, np.nan),
                            "areas": reading.labels})
    return files


def as_data(reading: DamageReading, title: str) -> dict[str, Any]:
    """The reading as plain data, lengths in mm."""
    spots = []
    for spot, ring, access in zip(reading.spots, reading.crowns, reading.access, strict=True):
        one: dict[str, Any] = asdict(spot)
        if ring is not None:
            toward = np.radians(ring.angle_deg)
            known = np.isfinite(ring.ring_mm)
            one["crown"] = {
                "height_mm": ring.height_mm, "mean_mm": ring.mean_mm, "xy_mm": list(ring.xy_mm),
                "directions_pct": 100.0 * float(known.mean()),
                "ring_mm": np.column_stack([
                    ring.centre_mm[0] + ring.ring_mm * np.cos(toward),
                    ring.centre_mm[1] + ring.ring_mm * np.sin(toward), ring.d_mm])[known].tolist()}
        if access is not None:
            one["push"], one["push_reason"] = access.push, access.reason
        spots.append(one)
    panel = reading.known.panel
    return {
        "format": FORMAT_VERSION, "kind": "reading", "title": title, "source": reading.source,
        "tolerance_mm": reading.tolerance_mm, "spots": spots,
        "areas": [asdict(area) for area in reading.areas],
        "creases": [_crease(line) for line in reading.creases],
        "kinks": [asdict(kink) for kink in reading.kinks],
        "strain": None if reading.strain is None else asdict(reading.strain),
        "supports": [] if panel is None else [
            bed.model_dump(exclude={"stiffness_N_per_mm3", "gap_mm", "bonded"})
            for bed in panel.supports],
        "reach": None if panel is None else (
            panel.behind.reach if isinstance(panel.behind.reach, str)
            else [part.model_dump() for part in panel.behind.reach]),
        "notes": list(reading.notes)}


def _crease(line: Any) -> dict[str, Any]:
    return {"kind": line.kind, "length_mm": line.length_mm, "sharpest_mm": line.sharpest_mm,
            "sharpest_xy_mm": list(line.sharpest_xy_mm), "turn_deg": line.turn_deg,
            "closed": line.closed, "blunted": line.blunted,
            "line": np.column_stack([line.xy_mm, line.d_mm, line.radius_mm]).tolist()}


def rows_of(reading: DamageReading) -> list[dict[str, str]]:
    """One row for each finding."""
    rows: list[dict[str, Any]] = []
    for spot, ring, access in zip(reading.spots, reading.crowns, reading.access, strict=True):
        rows.append({
            "finding": spot.kind, "label": spot.label, "x_mm": spot.x_mm, "y_mm": spot.y_mm,
            "d_mm": spot.height_mm, "length_mm": spot.long_mm, "width_mm": spot.short_mm,
            "angle_deg": spot.angle_deg, "area_mm2": spot.area_mm2,
            "crown_mm": None if ring is None else ring.height_mm,
            "push": None if access is None else "yes" if access.push else "no",
            "remark": "" if access is None else access.reason})
    for k, line in enumerate(reading.creases, 1):
        rows.append({
            "finding": f"crease ({line.kind})", "label": k, "x_mm": line.sharpest_xy_mm[0],
            "y_mm": line.sharpest_xy_mm[1], "d_mm": float(line.d_mm[np.argmin(line.radius_mm)]),
            "length_mm": line.length_mm, "radius_mm": line.sharpest_mm, "turn_deg": line.turn_deg,
            "remark": ", ".join(word for word, said in (
                ("closed", line.closed), ("may be sharper", line.blunted)) if said)})
    for k, kink in enumerate(reading.kinks, 1):
        rows.append({"finding": "edge kink", "label": k, "x_mm": kink.x_mm, "y_mm": kink.y_mm,
                     "d_mm": kink.d_mm, "radius_mm": kink.radius_mm, "turn_deg": kink.turn_deg,
                     "remark": kink.side})
    for area in reading.areas:
        x0, x1, y0, y1 = area.box_mm
        rows.append({"finding": "area", "label": area.label, "x_mm": 0.5 * (x0 + x1),
                     "y_mm": 0.5 * (y0 + y1), "length_mm": x1 - x0, "width_mm": y1 - y0,
                     "d_mm": area.lowest_mm if -area.lowest_mm > area.highest_mm
                     else area.highest_mm, "area_mm2": area.area_mm2,
                     "remark": "spots " + " ".join(map(str, area.spots))})
    return [{key: _cell(row.get(key)) for key in COLUMNS} for row in rows]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.5g}" if isinstance(value, float) else str(value)


def write_scan(folder: Path, measured: Measured, depth: DepthField, title: str) -> list[Path]:
    """Write the results of a scan into a folder; returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / name for name in
             ("depth.csv", "panel.csv", "case.yaml", "scan.json", "scan.npz")]
    found = measured.depth
    write_atomic(files[0], grid_text(
        found.x_mm, found.y_mm, found.d_mm,
        f"Deviation in mm of {measured.quality.file}, low negative, high positive.", 4))
    x, y = (np.linspace(line[0], line[-1], PANEL_STEPS) for line in (found.x_mm, found.y_mm))
    z = measured.surface.gradient(*np.meshgrid(x, y))[0]
    write_atomic(files[1], grid_text(
        x, y, z, f"Height in mm of the undamaged surface of {measured.quality.file}.", 4))
    write_atomic(files[2], _case_text(measured, title).encode())
    write_json(files[3], {"format": FORMAT_VERSION, "kind": "scan", "title": title,
                          **measured.quality.as_dict(),
                          "frame": {"origin_mm": measured.frame.origin_mm.tolist(),
                                    "axes": measured.frame.axes.tolist()}})
    cell_x, cell_y = measured.cells.middles_mm
    hole_x, hole_y = found.cover.middles_mm
    write_arrays(files[4], {
        "x_mm": cell_x, "y_mm": cell_y, "deviation_mm": measured.deviation.T,
        "damage": measured.damage.T, "count": measured.cells.count.T, "cover_x_mm": hole_x,
        "cover_y_mm": hole_y, "covered": found.covered.T, "holes": found.holes.T,
        "cell_mm": np.array(measured.cells.step_mm)})
    return files


def grid_text(x: Array, y: Array, value: Array, about: str, digits: int) -> bytes:
    """A grid (ny, nx) in the format of `simkit.dent.grid`."""
    lines = [f"# {about}", "y\\x," + ",".join(f"{v:.4f}" for v in x)]
    for place, row in zip(y, value, strict=True):
        # adding 0.0 turns -0.0 into 0.0, which is written without a minus
        cells = ",".join(f"{v:.{digits}f}" for v in np.round(row, digits) + 0.0)
        lines.append(f"{place:.4f},{cells}")
    return ("\n".join(lines) + "\n").encode()


def _case_text(measured: Measured, title: str) -> str:
    """A first case file: the measured panel and dent, the rest to be completed by the user."""
    found = measured.depth
    # a little smaller than the grids, which end at the rim of the scan
    half = [0.499 * float(line[-1] - line[0]) for line in (found.x_mm, found.y_mm)]
    middle = [0.5 * float(line[-1] + line[0]) for line in (found.x_mm, found.y_mm)]
    length_x, length_y = (2.0 * (h - abs(m)) for h, m in zip(half, middle, strict=True))
    return (f"format: 1\ntitle: \"{title}\"\n"
            f"about: Scan {measured.quality.file}, read by simkit. Sheet, edges and supports are "
            "not known from a scan.\n"
            "panel:\n  surface: measured\n  heights_csv: panel.csv\n"
            f"  length_x_mm: {length_x:.1f}\n  length_y_mm: {length_y:.1f}\n"
            "  thickness_mm: 0.75   # not measured: put in yours\n"
            "  grade: DC04          # not measured: put in yours, see simkit grades\n"
            "dent:\n  grid_csv: depth.csv\n  noise_mm: 0.005   # smoothed already\n")
