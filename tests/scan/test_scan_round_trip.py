"""Scans there and back, small; benchmarks/scan_round_trip.py does the large ones.

Truth: the functions that the scans are made from. Asked for: the depth field within 0.05 mm rms,
lows and crown within 5 %, with noise of 0.03 mm, 2 % outliers, a hole, any pose and unit.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from simkit.case import load_case
from simkit.case.plan import plan_bounds
from simkit.cli.main import main
from simkit.dent.grid import fit_grid
from simkit.dent.heights import read_heights
from simkit.errors import InputError
from simkit.folders import MARK
from simkit.measurement.read import read_dent
from simkit.scan.cells import sort_into_cells
from simkit.scan.feature import find_feature_lines
from simkit.scan.files import read_scan_file
from simkit.scan.pipeline import ScanOptions, measure_scan
from simkit.verification.problems.scan_round_trip import compare, round_trip, write_made
from simkit.verification.problems.scans import DENTS, PANELS, make_scan, surface_points

POINTS = 30_000


@pytest.mark.parametrize(("panel", "dent", "unit", "form"), [
    ("flat", "bowl", "m", "ply"),
    ("single-curved", "two bowls", "inch", "xyz"),
    ("double-curved", "bowl", "mm", "npy"),
    ("feature line", "bowl", "m", "csv"),
    ("feature line", "two bowls", "inch", "obj"),
])
def test_the_depth_field_is_recovered(tmp_path, panel, dent, unit, form):
    trip = round_trip(tmp_path, panel, dent, POINTS, unit, form, seed=7)
    assert trip.rms_mm < 0.05
    assert abs(trip.low_pct) < 5.0
    assert abs(trip.crown_pct) < 5.0


@pytest.mark.parametrize(("panel", "mirrored"), [("feature line", False), ("double-curved", True)])
def test_a_second_scan_serves_as_reference(tmp_path, panel, mirrored):
    trip = round_trip(tmp_path, panel, "bowl", POINTS, "mm", "npy", 3, second=True,
                      mirrored=mirrored)
    assert trip.rms_mm < 0.05
    assert abs(trip.low_pct) < 5.0
    assert abs(trip.crown_pct) < 5.0


def test_an_error_in_the_field_shows_in_the_comparison(tmp_path):
    """The comparison itself: half the dent is seen as half the dent."""
    scan = make_scan(PANELS["flat"], DENTS["bowl"], POINTS)
    measured = measure_scan(write_made(scan, tmp_path / "s.npy"), ScanOptions("mm"))
    measured.depth.d_mm[:] *= 0.5
    found, true = compare(scan, measured)
    assert found.d_mm.min() / true.d_mm.min() == pytest.approx(0.5, rel=0.05)


def test_the_report_says_what_the_scan_holds(tmp_path):
    scan = make_scan(PANELS["double-curved"], DENTS["bowl"], POINTS, seed=2)
    quality = measure_scan(write_made(scan, tmp_path / "s.npy"), ScanOptions("mm")).quality
    # Made with 0.03 mm, 2 %, radii of 1200 and 700 mm (arcs, so a little less on average).
    assert quality.noise_mm == pytest.approx(0.03, rel=0.15)
    assert quality.outliers + quality.islands == pytest.approx(0.02 * POINTS, rel=0.15)
    assert quality.radius_x_mm == pytest.approx(1200.0, rel=0.03)
    assert quality.radius_y_mm == pytest.approx(700.0, rel=0.03)
    assert quality.length_mm == pytest.approx(520.0, rel=0.01)
    assert quality.feature_lines == 0
    assert quality.holes == 1
    assert 0.5 < quality.hole_in_damage_mm2 / (np.pi * 9.0**2) < 1.2
    assert any("not seen" in note for note in quality.notes)


def test_a_feature_line_is_found_where_it_is():
    """On the panel's own frame: the line y = 105 + 0.12 x + 1e-4 x^2, turning by 0.25."""
    panel = PANELS["feature line"]
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-255.0, 256.0, 3.0),
                                           np.arange(-185.0, 186.0, 3.0), indexing="ij"))
    cells = sort_into_cells(np.column_stack([x, y]), 3.0, np.array([-256.5, -186.5]),
                            np.array([256.5, 186.5]))
    heights = cells.medians(panel(x, y) + DENTS_SUM(x, y))
    chart = find_feature_lines(heights, 3.0, np.array([-255.0, -185.0]), 9.0)
    assert len(chart.lines_mm) == 1
    assert abs(chart.turns_rad[0]) == pytest.approx(0.25, rel=0.25)
    line = chart.line(0, np.linspace(-200.0, 200.0, 21))
    away = line[:, 1] - (105.0 + 0.12 * line[:, 0] + 1e-4 * line[:, 0] ** 2)
    assert np.abs(away).max() < 3.0
    flat = cells.medians(PANELS["double-curved"](x, y) + DENTS_SUM(x, y))
    assert find_feature_lines(flat, 3.0, np.array([-255.0, -185.0]), 9.0).lines_mm == ()


def DENTS_SUM(x, y):
    """A crease, which must not be taken for a feature line."""
    return DENTS["crease"][0](x, y)


CASE = """\
format: 1
title: A scanned dent
about: Invented for the tests.
panel: {length_x_mm: 600, length_y_mm: 450, thickness_mm: 0.8, grade: DC04}
dent:
  scan: {file: scan.npy, unit: inch, x_mm: 30, y_mm: -40, angle_deg: 90, outside: +z, along: +x}
"""


def test_a_case_takes_a_scan_as_its_dent(tmp_path, capsys):
    """In the panel's own pose: the field comes to the stated place, turned a quarter left."""
    scan = make_scan(PANELS["flat"], DENTS["bowl"], POINTS, "inch", seed=5)
    panel = (scan.points * 25.4 - scan.shift) @ scan.turn
    np.save(tmp_path / "scan.npy", panel / 25.4)
    (tmp_path / "case.yaml").write_text(CASE)
    case = load_case(tmp_path)
    field = read_dent(case.dent, plan_bounds(case.panel))
    assert field(30.0, -40.0) == pytest.approx(-3.0, abs=0.06)
    # The bowl's centre is at (20, -25) in the scan; a step along the scan's x is one along y here.
    for u, v in ((30.0, 0.0), (0.0, 30.0), (-25.0, 20.0), (60.0, 0.0), (0.0, -70.0)):
        assert field(30.0 - v, -40.0 + u) == pytest.approx(
            float(scan.dent(20.0 + u, -25.0 + v)), abs=0.1)
    assert main(["check", str(tmp_path)]) == 0
    assert "scan of" in capsys.readouterr().out


@pytest.mark.parametrize(("old", "new", "found"), [
    ("unit: inch, ", "", "dent.scan.unit: no unit given"),
    ("unit: inch", "unit: mm", "inch would make it"),
    ("unit: inch", "unit: inches", "did you mean 'inch'?"),
    ("x_mm: 30, ", "", "dent.scan.x_mm: key missing"),
    ("scan.npy", "scan.ply", "did you mean 'scan.npy'?"),
    ("x_mm: 30", "x_mm: 290", "dent outside the panel"),
    ("outside: +z", "outside: +x", "lies in the panel"),
])
def test_a_scan_in_a_case_that_does_not_fit_names_its_key(tmp_path, capsys, old, new, found):
    scan = make_scan(PANELS["flat"], DENTS["bowl"], 5000, "inch", seed=5, outliers=0.0)
    np.save(tmp_path / "scan.npy", ((scan.points * 25.4 - scan.shift) @ scan.turn) / 25.4)
    assert old in CASE
    (tmp_path / "case.yaml").write_text(CASE.replace(old, new))
    assert main(["check", str(tmp_path)]) == 2
    assert found in capsys.readouterr().err


def test_read_delivers_panel_field_case_report_and_pictures(tmp_path, capsys):
    scan = make_scan(PANELS["double-curved"], DENTS["bowl"], POINTS, "m", seed=6)
    file, out = write_made(scan, tmp_path / "door.stl"), tmp_path / "out"
    assert main(["read", str(file), "--unit", "m", "--thickness", "0.75", "--grade", "DC04",
                 "--out", str(out)]) == 0
    text = capsys.readouterr().out
    for word in ("low -", "crown +", "Strain from the shape alone", "beyond yield", "radius 1"):
        assert word in text
    names = {path.name for path in out.iterdir()} - {MARK}
    assert names == {"reading.json", "reading.csv", "reading.npz", "reading.png", "depth.csv",
                     "panel.csv", "case.yaml", "scan.json", "scan.npz", "scan.png"}
    assert json.loads((out / "scan.json").read_text())["unit"] == "m"
    assert main(["check", str(out)]) == 0
    case = load_case(out)
    field = read_dent(case.dent, plan_bounds(case.panel))
    assert field.lowest_mm == pytest.approx(-3.0, rel=0.03)
    _panel_is_the_scanned_one(read_heights(case.panel.heights_csv, plan_bounds(case.panel)),
                              scan, json.loads((out / "scan.json").read_text()))


def _panel_is_the_scanned_one(surface, scan, facts):
    """Heights of panel.csv against the true panel, moved into the frame that scan.json gives."""
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-240, 240, 25), np.linspace(-170, 170, 19)))
    base, _ = surface_points(scan.panel, x, y)
    place = (scan.in_scan(base) - np.array(facts["frame"]["origin_mm"])) @ np.array(
        facts["frame"]["axes"]).T
    away = surface.height(place[:, 0], place[:, 1]) - place[:, 2]
    assert np.sqrt(np.mean(away**2)) < 0.03


def test_a_reference_of_another_panel_is_refused(tmp_path):
    scan = make_scan(PANELS["double-curved"], DENTS["bowl"], 8000, seed=1)
    other = make_scan(PANELS["feature line"], (), 8000, seed=2)
    files = [write_made(s, tmp_path / f"{k}.npy") for k, s in enumerate((scan, other))]
    with pytest.raises(InputError, match="does not fit"):
        measure_scan(files[0], ScanOptions("mm", reference=files[1]))


def test_a_mesh_that_vtk_has_made_is_read(tmp_path):
    """Three bumps of vtkParametricRandomHills on the plane z = 0, seen from below (see data)."""
    file = Path(__file__).parent / "data" / "vtk-random-hills.ply"
    measured = measure_scan(file, ScanOptions("mm", outside="-z"))
    points = read_scan_file(file).points
    place = measured.frame.of(points)
    inside = (np.abs(place[:, :2]) < 190.0).all(axis=1)
    depth = fit_grid(measured.grid(), 0.0)(place[inside, 0], place[inside, 1])
    error = depth + points[inside, 2]
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert measured.quality.lowest_mm == pytest.approx(-points[:, 2].max(), rel=0.05)
