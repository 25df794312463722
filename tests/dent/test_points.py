"""Gauge points: fit, its stated errors, and every kind of bad file."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from simkit.dent import Bowl
from simkit.dent.hull import distance_to_hull, ring_outside
from simkit.dent.points import GaugePoints, read_points
from simkit.dent.thin_plate import fit_thin_plate
from simkit.errors import InputError
from simkit.measurement.read import field_of_points

BOWL = Bowl(10.0, -5.0, 3.0, 90.0, 80.0, 20.0, 0.25)


def places(n, seed=0, size=95.0):
    rng = np.random.default_rng(seed)
    return np.array([10.0, -5.0]) + rng.uniform(-size, size, (n, 2))


def points_of(xy, d):
    return GaugePoints("made.csv", xy, d, np.arange(2, len(d) + 2))


def write(path, xy, d):
    rows = [f"{x!r},{y!r},{v!r}" for (x, y), v in zip(xy.tolist(), d.tolist(), strict=True)]
    path.write_text("# invented\nx_mm,y_mm,d_mm\n" + "\n".join(rows) + "\n")
    return path


def test_without_noise_the_field_goes_through_the_readings(tmp_path):
    xy = places(90)
    field = field_of_points(write(tmp_path / "g.csv", xy, BOWL(*xy.T)), noise_mm=0.0)
    np.testing.assert_allclose(field(*xy.T), BOWL(*xy.T), atol=1e-9)


def test_error_falls_with_more_points():
    x, y = np.meshgrid(np.linspace(-50, 70, 41), np.linspace(-65, 55, 41))
    errors = []
    for step in (24.0, 12.0):
        axis = np.arange(-96.0, 97.0, step)
        xy = np.array([10.0, -5.0]) + np.array([(a, b) for a in axis for b in axis])
        fit = fit_thin_plate(points_of(xy, BOWL(*xy.T)), 0.0)
        errors.append(np.abs(fit(x, y) - BOWL(x, y)).max())
    # Thin-plate interpolation of a smooth function: order 2 or better in the distance.
    assert errors[1] < errors[0] / 4.0
    assert errors[1] < 0.02


def bowl_readings(noise, step=12.0, seed=4):
    axis = np.arange(-96.0, 97.0, step)
    xy = np.array([10.0, -5.0]) + np.array([(a, b) for a in axis for b in axis])
    return points_of(xy, BOWL(*xy.T) + np.random.default_rng(seed).normal(0.0, noise, len(xy)))


@pytest.mark.parametrize("noise", [0.05, 0.1])
def test_smoothing_comes_closer_to_the_truth_than_interpolation(noise):
    points = bowl_readings(noise)
    smooth, exact = (fit_thin_plate(points, s) for s in (noise, 0.0))
    x, y = np.meshgrid(np.linspace(-55, 75, 41), np.linspace(-70, 60, 41))
    rms = [np.sqrt(np.mean((f(x, y) - BOWL(x, y)) ** 2)) for f in (smooth, exact)]
    assert rms[0] < 0.9 * rms[1]
    assert rms[0] < noise
    # A left-out reading still has its own noise; the fit's misfit is below it.
    assert smooth.quality.rms_left_out_mm > 0.9 * noise
    assert 0.0 < smooth.quality.rms_misfit_mm < 1.1 * noise


def test_stated_noise_bounds_the_smoothing():
    """The less noise is stated, the closer the field keeps to the readings."""
    points = bowl_readings(0.1)
    misfits = [fit_thin_plate(points, s).quality.rms_misfit_mm for s in (0.1, 0.02, 0.005, 0.0)]
    assert misfits == sorted(misfits, reverse=True)
    assert misfits[1] < 0.02
    assert misfits[2] < 0.005
    assert misfits[3] < 1e-9


def test_left_out_errors_equal_refits_without_each_reading():
    """Brute force with scipy's own interpolator, anchors and smoothing kept."""
    xy = places(40, seed=5)
    d = BOWL(*xy.T) + np.random.default_rng(6).normal(0.0, 0.02, 40)
    fit = fit_thin_plate(points_of(xy, d), 0.02)
    scale, hull = fit.scale_mm, fit.hull_mm
    anchors = np.vstack([ring_outside(hull, f * fit.reach_mm, fit.reach_mm) for f in (1, 1.5)])
    every = np.vstack([xy, anchors]) / scale
    values = np.concatenate([d, np.zeros(len(anchors))])
    inner = [i for i in range(40) if not (hull == xy[i]).all(axis=1).any()]
    errors = []
    for i in inner:
        keep = np.arange(len(every)) != i
        refit = RBFInterpolator(every[keep], values[keep], smoothing=fit.smoothing,
                                kernel="thin_plate_spline", degree=1)
        errors.append(d[i] - refit(every[i : i + 1])[0])
    worst = int(np.argmax(np.abs(errors)))
    rms = np.sqrt(np.mean(np.square(errors)))
    assert fit.quality.rms_left_out_mm == pytest.approx(rms, rel=1e-7)
    assert fit.quality.worst_left_out_mm == pytest.approx(errors[worst], rel=1e-7)
    assert fit.quality.worst_line == inner[worst] + 2


def test_field_is_zero_and_smooth_outside(tmp_path):
    xy = places(90)
    field = field_of_points(write(tmp_path / "g.csv", xy, BOWL(*xy.T)), noise_mm=0.01)
    x0, x1, y0, y1 = field.reach_mm
    t = np.linspace(-50.0, 50.0, 7)
    for x, y in ((x0 - 1e-6, t), (x1 + 1e-6, t), (t, y0 - 1e-6), (t, y1 + 1e-6)):
        assert (field(x, y) == 0.0).all()
    line = field(np.arange(10.0, x1 + 20.0, 0.1), -5.0)
    # A step or kink would stand out of the second differences: d'' of the bowl is about 0.005.
    assert np.abs(np.diff(line, 2)).max() / 0.1**2 < 0.02


def test_a_misread_point_is_pointed_out(tmp_path):
    axis = np.arange(-90.0, 91.0, 18.0)
    xy = np.array([10.0, -5.0]) + np.array([(a, b) for a in axis for b in axis])
    d = BOWL(*xy.T)
    wrong = 64
    d[wrong] += 1.0
    field = field_of_points(write(tmp_path / "g.csv", xy, d), noise_mm=0.02)
    assert field.quality.worst_line == wrong + 3
    assert any(f"line {wrong + 3}" in note for note in field.quality.notes)


def test_readings_that_end_inside_the_dent_are_noted(tmp_path):
    xy = places(60, size=25.0)
    field = field_of_points(write(tmp_path / "g.csv", xy, BOWL(*xy.T)), noise_mm=0.02)
    assert any("measure further out" in note for note in field.quality.notes)


def test_ring_and_distance_of_a_square():
    """Distances to the unit square are known; the ring keeps its distance between its corners."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    xy = np.array([[0.5, 0.5], [2.0, 0.5], [2.0, 2.0], [-3.0, -4.0], [1.0, 0.3]])
    np.testing.assert_allclose(distance_to_hull(xy, square), [0, 1, np.sqrt(2), 5, 0], atol=1e-15)
    ring = ring_outside(square, 0.5, 0.05)
    np.testing.assert_allclose(distance_to_hull(ring, square), 0.5, rtol=0.03)


def test_columns_semicolons_and_doubled_places(tmp_path):
    path = tmp_path / "g.csv"
    rows = [f"{i};{x};{y};{-1.0 + 0.01 * i}" for i, (x, y) in enumerate(
        [(0, 0), (10, 0), (0, 10), (10, 10), (20, 5), (5, 20)])]
    path.write_bytes(("\ufeff# note\r\nno;x_mm;y_mm;d_mm\r\n" + "\r\n".join(rows)
                      + "\r\n\r\n9;0;0;-1.02\r\n").encode())
    points = read_points(path, noise_mm=0.02)
    assert points.d_mm.tolist() == pytest.approx([-1.01, -0.99, -0.98, -0.97, -0.96, -0.95])
    assert points.line[0] == 3


GOOD = "x_mm,y_mm,d_mm\n0,0,-1\n10,0,-0.5\n0,10,-0.5\n10,10,-0.2\n-10,0,-0.4\n0,-10,-0.4\n"

BAD = {
    "text": (GOOD.replace("10,10,-0.2", "10,10,deep"), 5, "d_mm", "'deep'"),
    "nan": (GOOD.replace("10,10,-0.2", "10,nan,-0.2"), 5, "y_mm", "nan"),
    "inf": (GOOD.replace("10,10,-0.2", "-inf,10,-0.2"), 5, "x_mm", "-inf"),
    "overflow": (GOOD.replace("10,10,-0.2", "10,10,1e999"), 5, "d_mm", "1e999"),
    "underscore": (GOOD.replace("10,10,-0.2", "1_0,10,-0.2"), 5, "x_mm", "1_0"),
    "empty cell": (GOOD.replace("10,10,-0.2", "10,10,"), 5, "d_mm", "empty cell"),
    "header only": ("x_mm,y_mm,d_mm\n", 1, None, "empty"),
    "comments only": ("# x_mm,y_mm,d_mm\n", None, None, "only comments"),
    "near column": (GOOD.replace("d_mm", "dmm"), 1, "d_mm", "did you mean dmm"),
    "no header": (GOOD.split("\n", 1)[1], 1, "x_mm", "column missing"),
    "doubled column": (GOOD.replace("x_mm,y_mm", "x_mm,x_mm"), 1, "x_mm", "2 times"),
    "ragged": (GOOD.replace("10,10,-0.2", "10,10"), 5, None, "2 cells"),
    "ragged long": (GOOD.replace("10,10,-0.2", "10,10,-0,2"), 5, None, "4 cells"),
    "decimal comma": (GOOD.replace(",", ";").replace("-0.2", "-0,2"), 5, "d_mm", "decimal point"),
    "too few": (GOOD.rsplit("\n", 2)[0] + "\n", None, None, "5 gauge points"),
    "conflict": (GOOD + "0,0,-1.2\n", 8, "d_mm", "lines 2 and 8"),
    "too deep": (GOOD.replace("0,0,-1\n", "0,0,-400\n"), 2, "d_mm", "out of reason"),
    "metres": ("x_mm,y_mm,d_mm\n" + "".join(
        f"{a},{b},-2\n" for a in (0, 0.01, 0.02) for b in (0, 0.01)), 2, None, "span only"),
    "collinear": ("x_mm,y_mm,d_mm\n" + "".join(f"{i},{2 * i},-1\n" for i in range(8)),
                  None, None, "one line"),
    "no dent": (GOOD.replace("-1\n", "0.01\n").replace("-0.5", "0").replace("-0.4", "0")
                .replace("-0.2", "-0.01"), None, None, "no dent"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_lists_name_file_line_and_column(tmp_path, name):
    text, line, column, found = BAD[name]
    path = tmp_path / "gauge.csv"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        field_of_points(path, noise_mm=0.02)
    assert (error.value.file, error.value.line, error.value.key) == (str(path), line, column)
    assert found in str(error.value)
    assert error.value.expected
    assert "\n" not in str(error.value)


def test_the_good_list_is_accepted(tmp_path):
    path = tmp_path / "gauge.csv"
    path.write_text(GOOD)
    assert field_of_points(path, noise_mm=0.02).lowest_mm < -0.9


@pytest.mark.parametrize(("raw", "line", "found"), [
    (b"", None, "0 bytes"),
    (b" \n\n", None, "empty"),
    (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", None, "not a text file"),
    (GOOD.encode("utf-16"), 1, "UTF-16"),
    (("# M\xfcller\n" + GOOD).encode("latin-1"), 1, "0xfc"),
    ((GOOD + "1,2,3 # \xb5m\n").encode("latin-1"), 8, "0xb5"),
])
def test_files_that_are_no_text(tmp_path, raw, line, found):
    path = tmp_path / "gauge.csv"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=found) as error:
        field_of_points(path, noise_mm=0.02)
    assert (error.value.file, error.value.line) == (str(path), line)


def test_missing_file_and_folder(tmp_path):
    (tmp_path / "gauge.csv").write_text(GOOD)
    with pytest.raises(InputError, match=r"no such file.*did you mean gauge\.csv"):
        field_of_points(tmp_path / "guage.csv", 0.02)
    with pytest.raises(InputError, match="cannot be read"):
        field_of_points(tmp_path, 0.02)
