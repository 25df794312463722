"""Meshes that others made, read through the whole path; what each is, and what comes out.

Run: python benchmarks/outside_meshes.py [--json]        (needs the extra three-d: pyvista, VTK)

No package that we know of carries the scan of a dented panel. The nearest are VTK's random hills
(vtkParametricRandomHills): bumps on a flat sheet, made, meshed and written by VTK through pyvista;
seen from below they are dents, and their depth is known, since the sheet is the plane z = 0. They
are read as PLY, STL, VTU, VTP and VTK. The others are bodies or vaults that no panel reading should
accept: from pyvista's wheel, and, where installed, from those of compas, pymeshfix and matplotlib
(the last a measured relief of the ground). Kept in benchmarks/results/outside_meshes.csv.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

from simkit.dent.grid import fit_grid
from simkit.errors import InputError
from simkit.scan.pipeline import ScanOptions, measure_scan

RESULTS = Path(__file__).parent / "results" / "outside_meshes.csv"
RMS_LIMIT_MM = 0.05
SIZE_MM = 400.0
BODIES = (
    ("pyvista", "examples/airplane.ply", "mm", "an aeroplane, closed"),
    ("pyvista", "examples/sphere.ply", "mm", "a sphere, closed"),
    ("pyvista", "examples/nut.ply", "inch", "a nut, closed"),
    ("pyvista", "examples/ant.ply", "inch", "an ant, closed"),
    ("compas", "data/samples/mesh.obj", "inch", "a vault with a hole"),
    ("compas", "data/samples/hypar.obj", "inch", "a saddle of 81 points"),
    ("pymeshfix", "examples/StanfordBunny.ply", "inch", "a scanned rabbit, closed"),
)


def main() -> None:
    """Print one line a mesh, or one JSON object; exit with 1 if a result is not as expected."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = [hills(Path(folder), seed, form) for seed, form in
                ((1, "ply"), (2, "stl"), (5, "vtu"), (7, "vtp"), (8, "vtk"))]
        rows += [body(*one) for one in BODIES]
        rows.append(relief(Path(folder)))
    with RESULTS.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    failed = sum(row["ok"] == "NO" for row in rows)
    if asked.json:
        print(json.dumps({"rows": rows, "failed": failed}))
    else:
        for row in rows:
            print(f"{row['mesh']:42s} {row['what']:34s} {row['ok']:4s} {row['result']}")
    sys.exit(1 if failed else 0)


def hills(folder: Path, seed: int, form: str) -> dict[str, str]:
    """Three hills of VTK on a sheet of 400 mm, 3 mm high at most, seen from below."""
    mesh = hills_of_vtk(seed)
    file = folder / f"hills{seed}.{form}"
    if form == "vtu":
        mesh.cast_to_unstructured_grid().save(file)
    else:
        mesh.save(file)
    measured = measure_scan(file, ScanOptions(unit="mm", outside="-z"))
    place = measured.frame.of(np.asarray(mesh.points, dtype=float))
    x, y = place[:, 0], place[:, 1]
    spline = fit_grid(measured.grid(), 0.0)
    inside = (np.abs(x) < 0.48 * SIZE_MM) & (np.abs(y) < 0.48 * SIZE_MM)
    # The sheet is z = 0, so a point's height is its depth seen from below.
    error = (spline(x, y) + np.asarray(mesh.points)[:, 2])[inside]
    rms = float(np.sqrt(np.mean(error**2)))
    low = measured.quality.lowest_mm / -float(mesh.points[:, 2].max())
    return {"mesh": f"VTK random hills, seed {seed}, {form}", "from": "pyvista, VTK (BSD)",
            "what": "bumps on a flat sheet", "result": f"{rms:.4f} mm rms, {len(place)} points, "
            f"low {100 * (low - 1):+.2f} %",
            "ok": "yes" if rms <= RMS_LIMIT_MM and abs(low - 1.0) <= 0.05 else "NO"}


def hills_of_vtk(seed: int, resolution: int = 201):
    """Three hills of vtkParametricRandomHills, scaled to 400 mm and 3 mm; a pyvista mesh."""
    import pyvista

    mesh = pyvista.ParametricRandomHills(
        number_of_hills=3, hill_x_variance=1.6, hill_y_variance=1.2, hill_amplitude=1.0,
        random_seed=seed, u_res=resolution, v_res=resolution, w_res=resolution)
    points = np.asarray(mesh.points, dtype=float)
    points[:, :2] *= SIZE_MM / np.ptp(points[:, 0])
    points[:, 2] *= 3.0 / points[:, 2].max()
    mesh.points = points
    return mesh.triangulate()


def body(package: str, inside: str, unit: str, what: str) -> dict[str, str]:
    """A mesh that is no panel: it must be refused with one line."""
    row = {"mesh": f"{package}/{inside}", "from": f"{package}'s wheel", "what": what}
    found = importlib.util.find_spec(package)
    if found is None or found.origin is None:
        return {**row, "result": "package not installed", "ok": "-"}
    return {**row, **_refused(Path(found.origin).parent / inside, unit)}


def relief(folder: Path) -> dict[str, str]:
    """The elevations that come with matplotlib, a measured surface, scaled to a panel's size."""
    import matplotlib.cbook

    with np.load(matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)
                 ) as held:
        height = np.asarray(held["elevation"], dtype=float)
    y, x = np.indices(height.shape)
    np.save(folder / "relief.npy", np.column_stack([x.ravel(), y.ravel(), 0.1 * height.ravel()]))
    return {"mesh": "matplotlib/jacksboro_fault_dem.npz", "from": "matplotlib's wheel",
            "what": "measured relief of the ground", **_refused(folder / "relief.npy", "mm")}


def _refused(file: Path, unit: str) -> dict[str, str]:
    try:
        measure_scan(file, ScanOptions(unit=unit))
    except InputError as error:
        error.file = None
        return {"result": "refused: " + str(error), "ok": "yes"}
    return {"result": "taken for a panel", "ok": "NO"}


if __name__ == "__main__":
    main()
