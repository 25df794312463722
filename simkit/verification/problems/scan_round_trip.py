"""An artificial scan is written to a file, evaluated like a real one and compared with its truth.

Kind of reference: exact, the functions from which the scan was made.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.dent.grid import fit_grid
from simkit.inspection.crown import crown_ring
from simkit.inspection.spots import SampledField, find_spots
from simkit.scan.pipeline import Measured, ScanOptions, measure_scan
from simkit.verification.problems.scans import (
    DENTS,
    LENGTH_MM,
    PANELS,
    WIDTH_MM,
    MadeScan,
    make_scan,
    surface_points,
)

Array = NDArray[np.float64]
RMS_LIMIT_MM, LIMIT_PCT = 0.05, 5.0
"""Required accuracy: rms error of the depth field; errors of the lows and of the crown."""
MESHES = ("ply", "stl", "obj", "vtu")
MARGIN_MM = 3.0


@dataclass(frozen=True)
class RoundTrip:
    """Result for one scan; lengths in mm.

    ``rms_mm``, ``worst_mm``: errors of the depth field over the whole scan, its hole included;
    ``low_*``: deepest deviation, ``crown_*``: height of the crown around it.
    """

    panel: str
    dent: str
    points: int
    unit: str
    file: str
    reference: str
    seconds: float
    rms_mm: float
    worst_mm: float
    low_true_mm: float
    low_mm: float
    crown_true_mm: float
    crown_mm: float

    @property
    def low_pct(self) -> float:
        """Error of the low, per cent."""
        return 100.0 * (self.low_mm / self.low_true_mm - 1.0)

    @property
    def crown_pct(self) -> float:
        """Error of the crown's height, per cent."""
        return 100.0 * (self.crown_mm / self.crown_true_mm - 1.0)

    @property
    def ok(self) -> bool:
        """Whether it is within `RMS_LIMIT_MM` and `LIMIT_PCT`."""
        return (self.rms_mm <= RMS_LIMIT_MM and abs(self.low_pct) <= LIMIT_PCT
                and abs(self.crown_pct) <= LIMIT_PCT)


def round_trip(folder: Path, panel: str, dent: str, count: int, unit: str, form: str,
               seed: int = 0, second: bool = False, mirrored: bool = False) -> RoundTrip:
    """Make a scan, write it in the format ``form`` into a folder, read it and compare.

    ``second``: the reference is a second scan, of the undamaged panel in another pose, in inches;
    ``mirrored``: it is mirrored, too.
    """
    scan = make_scan(PANELS[panel], DENTS[dent], count, unit, seed)
    file = write_made(scan, folder / f"scan.{form}")
    options, how = ScanOptions(unit=unit), "surroundings"
    if second:
        other = make_scan(PANELS[panel], (), count, "inch", seed + 1000)
        if mirrored:
            other.points[:, 0] *= -1.0
        options = ScanOptions(unit=unit, reference=write_made(other, folder / "reference.npy"),
                              reference_unit="inch", mirrored=mirrored)
        how = "mirrored scan" if mirrored else "second scan"
    start = time.perf_counter()
    measured = measure_scan(file, options)
    seconds = time.perf_counter() - start
    found, true = compare(scan, measured)
    error = found.d_mm - true.d_mm
    crowns = [_crown(field) for field in (true, found)]
    return RoundTrip(
        panel, dent, len(scan.points), unit, form, how, seconds,
        float(np.sqrt(np.mean(error**2))), float(np.abs(error).max()),
        float(true.d_mm.min()), float(found.d_mm.min()), *crowns)


def write_made(scan: MadeScan, path: Path) -> Path:
    """Write an artificial scan: all points for NPY, XYZ and CSV, triangles for mesh formats."""
    form = path.suffix[1:]
    if form == "npy":
        np.save(path, scan.points)
    elif form in ("xyz", "csv"):
        mark, head = (",", "x,y,z") if form == "csv" else (" ", "")
        np.savetxt(path, scan.points, fmt="%.7g", delimiter=mark, header=head, comments="")
    else:
        import meshio

        corners = scan.triangles.astype(np.int32)
        more = {"binary": True} if form in ("ply", "stl") else {}
        meshio.Mesh(scan.points, [("triangle", corners)]).write(path, **more)
    return path


def compare(scan: MadeScan, measured: Measured, step_mm: float = 2.0
            ) -> tuple[SampledField, SampledField]:
    """Measured and true deviation at the same places of the panel, without the margin of the
    scan."""
    x, y = (np.arange(-0.5 * size + MARGIN_MM, 0.5 * size - MARGIN_MM + 1e-9, step_mm)
            for size in (LENGTH_MM, WIDTH_MM))
    xx, yy = (v.ravel() for v in np.meshgrid(x, y))
    base, _ = surface_points(scan.panel, xx, yy)
    # The true places, in the frame that the evaluation found: its errors of pose count too.
    place = measured.frame.of(scan.in_scan(base))
    spline = fit_grid(measured.grid(), 0.0)
    shape = (len(y), len(x))
    found = spline(place[:, 0], place[:, 1]).reshape(shape)
    return (SampledField(x, y, found), SampledField(x, y, scan.dent(xx, yy).reshape(shape)))


def _crown(field: SampledField) -> float:
    lows = [spot for spot in find_spots(field, 0.1) if spot.kind == "low"]
    ring = crown_ring(field, lows[0]) if lows else None
    return float("nan") if ring is None else ring.height_mm
