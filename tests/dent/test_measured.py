"""Sections, outlines, creases that stay sharp, errors left out, where to measure next.

Truth: described shapes, whose deviation and radius are known from their formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from simkit.cli.main import main
from simkit.dent import Bowl, Crease
from simkit.dent.hull import ring_outside
from simkit.dent.outlines import Outline, along_and_across, readings_along
from simkit.dent.points import GaugePoints, Source, joined
from simkit.dent.sections import SectionLine, place_on, read_sections
from simkit.dent.shapes import decay_of
from simkit.dent.thin_plate import fit_thin_plate
from simkit.errors import InputError
from simkit.measurement.read import field_of_readings

CREASE = Crease(0.0, 0.0, 3.0, 160.0, 60.0, 20.0, 0.2, radius_mm=6.0)
ALONG = np.array([np.cos(np.radians(20.0)), np.sin(np.radians(20.0))])
ACROSS = np.array([-ALONG[1], ALONG[0]])
STATIONS = np.array([-60, -45, -32, -24, -16, -11, -7, -3, 0, 3, 7, 11, 16, 24, 32, 45, 60.0])
GRID = np.stack(np.meshgrid(np.linspace(-100, 100, 81), np.linspace(-80, 80, 65)), -1)


def sections(noise=0.02, seed=0):
    """Seven sections across the crease, 30 mm apart."""
    xy = np.vstack([u * ALONG + STATIONS[:, None] * ACROSS for u in np.arange(-90, 91, 30.0)])
    d = CREASE(*xy.T) + np.random.default_rng(seed).normal(0.0, noise, len(xy))
    return GaugePoints("s.csv", xy, d, np.arange(2, len(d) + 2), np.repeat(np.arange(7), 17),
                       tuple(Source(f"section {k}", "s.csv", "section") for k in range(7)))


def crease_outline(radius=6.0):
    xy = np.linspace(-85.0, 85.0, 9)[:, None] * ALONG
    return Outline("crease", xy, CREASE(*xy.T), radius_mm=radius)


def radius_across(field, u):
    """Radius at the bottom of the field's section across the crease at u along it.

    Not at a reading: there a thin-plate spline's curvature has a (weak, logarithmic) pole.
    """
    v = np.linspace(-4.0, 4.0, 161)
    d = field(*(u * ALONG + v[:, None] * ACROSS).T)
    return 1.0 / np.gradient(np.gradient(d, v), v).max()


def rms(field, truth):
    return float(np.sqrt(np.mean((field(*np.moveaxis(GRID, -1, 0))
                                  - truth(*np.moveaxis(GRID, -1, 0))) ** 2)))


def test_a_crease_outline_keeps_the_crease_sharp_and_its_flanks_straight():
    smooth = field_of_readings([sections()], [], 0.02)
    sharp = field_of_readings([sections()], [crease_outline()], 0.02)
    for u in (-20.0, -12.0, 12.0, 20.0):
        assert radius_across(sharp, u) == pytest.approx(6.0, rel=0.15)
        assert radius_across(smooth, u) > 12.0
    assert rms(sharp, CREASE) < 0.8 * rms(smooth, CREASE)
    assert sharp.quality.rms_section_out_mm < 0.5 * smooth.quality.rms_section_out_mm
    assert "119 readings in 7 sections + 1 crease outline" in sharp.source


def test_the_stated_radius_decides_the_sharpness():
    found = [np.median([radius_across(field, u) for u in (-20.0, -12.0, 12.0, 20.0)])
             for field in (field_of_readings([sections()], [crease_outline(r)], 0.02)
                           for r in (3.0, 6.0, 12.0))]
    assert found == pytest.approx([3.0, 6.0, 12.0], rel=0.25)


def test_sections_left_out_equal_refits_without_each_section():
    """Brute force with scipy's own interpolator, anchors and smoothing kept."""
    points = sections(noise=0.05)
    fit = fit_thin_plate(points, 0.05)
    anchors = np.vstack([ring_outside(fit.hull_mm, f * fit.reach_mm, fit.reach_mm)
                         for f in (1.0, 1.5)])
    every = np.vstack([points.xy_mm, anchors]) / fit.scale_mm
    values = np.concatenate([points.d_mm, np.zeros(len(anchors))])
    errors = []
    for k in range(7):
        own = np.flatnonzero(points.source == k)
        keep = np.setdiff1d(np.arange(len(every)), own)
        refit = RBFInterpolator(every[keep], values[keep], smoothing=fit.smoothing,
                                kernel="thin_plate_spline", degree=1)
        errors.append(values[own] - refit(every[own]))
    expected = np.sqrt(np.mean(np.concatenate(errors) ** 2))
    assert fit.quality.rms_section_out_mm == pytest.approx(expected, rel=1e-6)


def test_a_reading_where_advised_helps_more_than_elsewhere():
    """True errors before and after one more exact reading, at the advised and at other places."""
    bowl = Bowl(5.0, 0.0, 3.0, 90.0, 70.0, 15.0, 0.3)
    rng = np.random.default_rng(0)
    xy = rng.uniform(-90.0, 90.0, (45, 2))

    def error_with(place):
        every = np.vstack([xy, place])
        return rms(fit_thin_plate(
            GaugePoints("a", every, bowl(*every.T), np.arange(46)), 0.0), bowl)

    first = fit_thin_plate(GaugePoints("a", xy, bowl(*xy.T), np.arange(45)), 0.0)
    x, y, expected = first.quality.next_places[0]
    wrong = abs(float(first(np.array(x), np.array(y))) - float(bowl(x, y)))
    assert 0.3 * expected < wrong < 3.0 * expected
    others = [error_with(place) for place in rng.uniform(-80.0, 80.0, (12, 2))]
    assert error_with(np.array([x, y])) < min(0.8 * rms(first, bowl), *others)


def test_a_crown_outline_keeps_the_crown_height():
    """Twelve rays of gauge points miss the crown's top; its drawn line brings it back."""
    bowl = Bowl(0.0, 0.0, 3.0, 90.0, 90.0, 0.0, 0.4)
    t = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    circle = np.column_stack([np.cos(t), np.sin(t)])
    r = [8.0, 16.0, 24.0, 32.0, 40.0, 75.0, 100.0]
    xy = np.vstack([[[0.0, 0.0]], *(k * circle for k in r)])
    points = GaugePoints("a", xy, bowl(*xy.T), np.arange(len(xy)))
    top = 45.0 * np.sqrt(1.0 + 1.0 / decay_of(bowl))
    crown = Outline("crown", top * circle, bowl(*(top * circle).T), closed=True)
    without, drawn = (field_of_readings([points], o, 0.02) for o in ([], [crown]))
    assert abs(without.highest_mm - 0.4) > 0.04
    assert drawn.highest_mm == pytest.approx(0.4, abs=0.02)


def test_outlines_pass_through_their_places_and_close():
    """A circle's heights cos t: PCHIP through 24 places is within 1 % of them."""
    t = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    outline = Outline("crown", 50.0 * np.column_stack([np.cos(t), np.sin(t)]), np.cos(t), True)
    xy, d = readings_along(outline, 3.0)
    assert np.abs(d - xy[:, 0] / 50.0).max() < 0.01
    gaps = np.hypot(*np.diff(np.vstack([xy, xy[:1]]), axis=0).T)
    assert gaps.max() < 3.2
    line = Outline("crease", np.array([[0, 0], [30, 0], [30, 40.0]]), np.array([-1, -3, -2.0]))
    xy, d = readings_along(line, 10.0)
    for place, height in zip(line.xy_mm, line.d_mm, strict=True):
        at = np.argmin(np.hypot(*(xy - place).T))
        assert np.hypot(*(xy[at] - place)) < 1e-12
        assert d[at] == pytest.approx(height, abs=1e-12)


def test_places_and_distances_along_a_bent_line():
    """A line 3 along x, then 4 along y: lengths by hand."""
    line = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])
    np.testing.assert_allclose(place_on(line, np.array([1.0, 3.0, 5.0, 7.5, -0.5])),
                               [[1, 0], [3, 0], [3, 2], [3, 4.5], [-0.5, 0]], atol=1e-12)
    s, v = along_and_across(line, np.array([[1.0, 2.0], [4.0, 2.0], [2.0, 3.0], [1.0, -1.0]]))
    np.testing.assert_allclose(s, [1.0, 5.0, 6.0, 1.0], atol=1e-12)
    np.testing.assert_allclose(v, [2.0, -1.0, 1.0, -1.0], atol=1e-12)


GOOD = "section,s_mm,d_mm\n" + "".join(
    f"{name},{s},{d}\n" for name in ("A", "B")
    for s, d in zip(range(0, 81, 20), (0, -0.5, -1, -0.5, 0), strict=True))
LINES = [SectionLine("A", np.array([[-40.0, 0], [40.0, 0]])),
         SectionLine("B", np.array([[0.0, -40], [0, 0], [0, 40.0]]))]

BAD = {
    "unknown section": (GOOD.replace("B,40,-1", "Bb,40,-1"), LINES, 9, "section", "'Bb'"),
    "beyond its line": (GOOD.replace("A,80,0", "A,95,0"), LINES, 6, "s_mm", "80 mm long"),
    "text": (GOOD.replace("A,20,-0.5", "A,20,deep"), LINES, 3, "d_mm", "'deep'"),
    "no readings": (GOOD, [*LINES, SectionLine("C", LINES[0].xy_mm)], None, None, "0 readings"),
    "column": (GOOD.replace("s_mm", "s"), LINES, 1, "s_mm", "missing"),
    "twice": (GOOD, [*LINES, LINES[0]], None, "dent.sections[2]", "given twice"),
    "no line": (GOOD, [LINES[0], SectionLine("B", np.zeros((2, 2)))], None, "dent.sections[1]",
                "has no line"),
    "too deep": (GOOD.replace("A,40,-1", "A,40,-400"), LINES, 4, "d_mm", "out of reason"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_sections_name_line_and_column(tmp_path, name):
    text, lines, line, key, found = BAD[name]
    path = tmp_path / "sections.csv"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        read_sections(path, lines)
    assert (error.value.line, error.value.key) == (line, key)
    assert found in str(error.value)


def test_crossing_sections_and_points_count_together(tmp_path):
    path = tmp_path / "sections.csv"
    path.write_text(GOOD)
    read = read_sections(path, LINES)
    more = GaugePoints("p.csv", np.array([[20.0, 20.0], [-20.0, 20.0]]), np.array([-0.3, -0.3]),
                       np.array([2, 3]))
    field = field_of_readings([more, read], [], 0.02)
    assert field.source == "2 gauge points + 9 readings in 2 sections"
    assert field(0.0, 0.0) == pytest.approx(-1.0, abs=0.05)
    assert joined([more, read]).where(1) == "line 3 of p.csv"
    read.d_mm[2] -= 0.5
    with pytest.raises(InputError, match=r"differ by 0\.5 mm"):
        field_of_readings([more, read], [], 0.02)


CASE = """\
format: 1
title: Two sections
about: Invented for the tests.
panel: {length_x_mm: 300, length_y_mm: 200, thickness_mm: 0.8, grade: DC04}
dent:
  sections_csv: sections.csv
  sections:
    - {name: A, line: [{x_mm: -40, y_mm: 0}, {x_mm: 40, y_mm: 0}]}
    - {name: B, line: [{x_mm: 0, y_mm: -40}, {x_mm: 0, y_mm: 40}]}
  outlines:
    - kind: crown
      line: [{x_mm: 36, y_mm: 0, d_mm: 0.1}, {x_mm: 0, y_mm: 36, d_mm: 0.1},
             {x_mm: -36, y_mm: 0, d_mm: 0.1}, {x_mm: 0, y_mm: -36, d_mm: 0.1}]
"""


def written(folder, text=CASE):
    (folder / "sections.csv").write_text(GOOD)
    (folder / "case.yaml").write_text(text)
    return str(folder)


def test_check_prints_errors_left_out_and_where_to_measure(tmp_path, capsys):
    assert main(["check", written(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "9 readings in 2 sections + 1 crown outline" in out
    assert "each section from the others" in out
    assert "measure at (x, y)" in out


@pytest.mark.parametrize(("old", "new", "found"), [
    ("  sections_csv: sections.csv\n", "", "dent.sections: no 'sections_csv' beside it"),
    ("{x_mm: 40, y_mm: 0}", "{x_mm: 400, y_mm: 0}", "dent.sections[0].line[1]: (400, 0) lies off"),
    ("kind: crown", "kind: crest", "did you mean 'crease'"),
    ("d_mm: 0.1}, {x_mm: 0, y_mm: 36", "}, {x_mm: 0, y_mm: 36", "line[0].d_mm: key missing"),
    ("  outlines:", "  shapes:\n    - {kind: bowl, x_mm: 0, y_mm: 0, depth_mm: 1, length_mm: 50, "
     "width_mm: 50}\n  outlines:", "dent.shapes: second source beside 'sections_csv'"),
    ("y_mm: 36, d_mm: 0.1}", "y_mm: 0.01, d_mm: 0.1}, {x_mm: 0, y_mm: 0, d_mm: 0.1}",
     "dent.outlines[0]: places 1 and 2"),
])
def test_bad_cases_name_the_key(tmp_path, capsys, old, new, found):
    assert old in CASE
    assert main(["check", written(tmp_path, CASE.replace(old, new, 1))]) == 2
    error = capsys.readouterr().err
    assert found in error
    assert "Traceback" not in error
