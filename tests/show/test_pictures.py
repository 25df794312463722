"""Pictures of stored folders: they exist, are honest in their colours, and are the same twice."""

from __future__ import annotations

import struct
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stored_run import PLAN, TOLERANCE, shape, write_comparison, write_run

from simkit.record.read import Field, read_comparison, read_path, read_run
from simkit.show.draw import draw_comparison, draw_run
from simkit.show.maps import left_figure, map_figure
from simkit.show.profiles import section_figure
from simkit.show.progress import force_figure, progress_figure
from simkit.show.region import deepest, fine, spots, zoom
from simkit.show.style import colour_limit, colour_scale, look, signed
from simkit.show.versus import final_maps_figure, race_figure


def maps_of(figure):
    """Images of deviation maps in a figure (a colour bar holds no AxesImage of ours)."""
    return [image for ax in figure.axes for image in ax.images]


def png_size(path: Path) -> tuple[int, int]:
    """Width and height from the file's header.

    Layout: signature of 8 bytes, then chunk IHDR with width and height as big-endian 32-bit
    numbers (Portable Network Graphics, ISO/IEC 15948; MEMORY).
    """
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert data[12:16] == b"IHDR"
    return struct.unpack(">II", data[16:24])


def test_run_pictures_are_whole_files_of_fixed_size(run_folder):
    files = draw_run(run_folder)
    assert [path.name for path in files] == [
        "map.png", "left.png", "work.png", "sections.png", "progress.png", "steps.png",
        "bands.png", "sheet.png", "force-step04.png"]
    assert all(path.parent == run_folder / "pictures" for path in files)
    assert png_size(files[0]) == (round(12.9 * 130), round(7.0 * 130))
    assert all(path.read_bytes().endswith(b"IEND\xaeB`\x82") for path in files)
    assert len(list((run_folder / "pictures").iterdir())) == len(files)  # no temporary file left


def test_comparison_pictures(comparison_folder, tmp_path):
    files = draw_comparison(comparison_folder, tmp_path / "out")
    assert [path.name for path in files] == ["comparison.png", "final-maps.png",
                                             "progress-all.png"]
    assert all(png_size(path)[0] > 1000 for path in files)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_same_folder_gives_the_same_bytes_and_no_date(short_run, tmp_path, kind):
    import matplotlib as mpl

    first = [path.read_bytes() for path in draw_run(short_run, tmp_path / "a", kind=kind)]
    with mpl.rc_context({"font.size": 22.0, "image.cmap": "jet", "axes.facecolor": "black"}):
        second = [path.read_bytes() for path in draw_run(short_run, tmp_path / "b", kind=kind)]
    assert first == second
    dated = {"png": (b"tEXt", b"tIME"), "svg": (b"<dc:date>",), "pdf": (b"/CreationDate",)}[kind]
    assert not any(word in data for data in first for word in dated)
    starts = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[kind]
    assert all(data.startswith(starts) for data in first)


def test_pyplot_stays_out(short_run, tmp_path):
    before = "matplotlib.pyplot" in sys.modules
    draw_run(short_run, tmp_path)
    assert ("matplotlib.pyplot" in sys.modules) == before


@pytest.mark.parametrize("step", [None, 4])
def test_map_limits_are_symmetric_and_the_same_before_and_after(run_folder, step):
    record = read_run(run_folder)
    images = maps_of(map_figure(record, step))
    assert len(images) == 2
    limits = [(image.norm.vmin, image.norm.vmax) for image in images]
    assert limits[0] == limits[1]
    low, high = limits[0]
    assert low == -high
    largest = max(np.nanmax(np.abs(record.fields[k].d_mm)) for k in (0, step or record.last))
    assert largest <= high < 1.11 * largest
    for image in images:  # linear: equal steps of d are equal steps of colour
        assert image.norm(0.0) == 0.5
        assert np.allclose(np.diff(image.norm(np.linspace(low, high, 9))), 0.125)
        assert image.axes.get_aspect() == 1.0
        assert "(mm)" in image.axes.get_xlabel()


def test_final_maps_of_all_strategies_share_one_scale(comparison_folder):
    images = maps_of(final_maps_figure(read_comparison(comparison_folder)))
    assert len(images) == 3
    limits = {(image.norm.vmin, image.norm.vmax) for image in images}
    assert len(limits) == 1
    low, high = limits.pop()
    assert low == -high < 0.0


def linear_rgb(colour) -> np.ndarray:
    """sRGB to linear light (IEC 61966-2-1; MEMORY)."""
    c = np.asarray(colour[:3])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65 of linear sRGB (CIE 15; matrix of IEC 61966-2-1; MEMORY)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                    [0.0193, 0.1192, 0.9505]]) @ np.clip(linear, 0.0, 1.0)
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_colours_are_balanced_and_lows_differ_from_highs_for_colour_blind_eyes():
    # Deuteranopia as a matrix on linear RGB: Machado, Oliveira and Fernandes 2009, severity 1;
    # values compared with two independent public copies of that table.
    deuteranopia = np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                             [-0.011820, 0.042940, 0.968881]])
    colours, norm = colour_scale(4.0)
    middle = lab(linear_rgb(colours(norm(0.0))))
    assert middle[0] > 95.0  # nearly white
    assert np.hypot(*middle[1:]) < 2.0
    lightness = [lab(linear_rgb(colours(norm(d))))[0] for d in np.linspace(0.0, 4.0, 9)]
    assert np.all(np.diff(lightness) < 0.0)
    for d in (1.0, 2.0, 3.0, 4.0):
        low, high = (linear_rgb(colours(norm(s * d))) for s in (-1.0, 1.0))
        assert abs(lab(low)[0] - lab(high)[0]) < 8.0
        seen = lab(deuteranopia @ low) - lab(deuteranopia @ high)
        assert np.linalg.norm(seen) > 20.0  # a difference of 2 to 3 is just visible


def test_contours_and_marks_stand_at_the_tolerance(run_folder):
    record = read_run(run_folder)
    ax = map_figure(record, 4).axes[0]
    levels = sorted(float(level) for item in ax.collections for level in item.levels)
    assert levels == [-TOLERANCE, TOLERANCE]
    texts = [text.get_text() for text in ax.texts]
    deep = min(step.max_low_mm for step in record.steps[:1])
    assert signed(deep) in texts
    assert "nothing outside ±0.1 mm" in [t.get_text() for t in map_figure(record).axes[1].texts]


def test_spots_of_a_made_up_field():
    x, y = np.linspace(0.0, 100.0, 101), np.linspace(0.0, 80.0, 81)
    d = np.zeros((81, 101))
    d[20, 30], d[60, 70], d[40, 10] = -2.0, 0.5, -0.05
    d[0, 0] = np.nan
    found = spots(Field(x, y, d), 0.1)
    assert [(s.x_mm, s.y_mm, s.d_mm) for s in found] == [(30.0, 20.0, -2.0), (70.0, 60.0, 0.5)]
    assert deepest(Field(x, y, d)) == (20, 30)
    window = zoom([Field(x, y, d)], 0.1, 1.25)
    assert all(window.holds(s.x_mm, s.y_mm) for s in found)
    assert (window.x1 - window.x0) / (window.y1 - window.y0) == pytest.approx(1.25)


def test_refined_field_reproduces_a_bilinear_surface():
    # A bilinear function is its own bilinear interpolant: exact to rounding.
    x, y = np.array([0.0, 3.0, 10.0]), np.array([0.0, 4.0, 5.0, 9.0])
    d = 1.0 + 0.2 * x[None, :] - 0.1 * y[:, None] + 0.03 * x[None, :] * y[:, None]
    part = fine(Field(x, y, d), zoom([Field(x, y, d)], 0.1, 1.0), points=31)
    inside = np.isfinite(part.d_mm)
    exact = (1.0 + 0.2 * part.x_mm[None, :] - 0.1 * part.y_mm[:, None]
             + 0.03 * part.x_mm[None, :] * part.y_mm[:, None])
    assert inside.sum() > 100
    assert np.allclose(part.d_mm[inside], exact[inside], atol=1e-12)


def test_sections_show_every_step_and_the_band(run_folder):
    record = read_run(run_folder)
    figure = section_figure(record)
    for ax in figure.axes:
        thick = [line for line in ax.lines if line.get_linewidth() > 2.0]
        thin = [line for line in ax.lines if line.get_linewidth() == 1.1]
        assert len(thick) == 2
        assert len(thin) == record.last - 1
    row, column = deepest(record.fields[0])
    along_x = [line for line in figure.axes[0].lines if line.get_linewidth() > 2.0]
    assert np.array_equal(along_x[0].get_ydata(), record.fields[0].d_mm[row, :])
    along_y = [line for line in figure.axes[2].lines if line.get_linewidth() > 2.0]
    assert np.array_equal(along_y[1].get_ydata(), record.fields[-1].d_mm[:, column])


def test_progress_plots_what_is_stored(run_folder):
    record = read_run(run_folder)
    above, below = progress_figure(record).axes
    low = [line for line in above.lines if len(line.get_xdata()) == len(record.steps)][-1]
    assert list(low.get_ydata()) == [step.max_low_mm for step in record.steps]
    assert [bar.get_height() for bar in below.patches] == [row[4] for row in PLAN[1:]]
    assert [bool(bar.get_hatch()) for bar in below.patches].index(True) == 2  # glue let go


def test_force_path_and_its_peak(run_folder):
    record = read_run(run_folder)
    path = read_path(run_folder, 4)
    figure = force_figure(record, path)
    assert list(figure.axes[0].lines[0].get_ydata()) == list(path.force_N)
    assert len(figure.axes) == 2
    assert read_path(run_folder, 3) is None


def test_race_has_a_low_and_a_high_for_every_strategy(comparison_folder):
    record = read_comparison(comparison_folder)
    ax = race_figure(record).axes[0]
    ends = [line.get_ydata()[-1] for line in ax.lines if len(line.get_xdata()) > 2]
    assert ends == [value for run in record.runs.values()
                    for value in (run.steps[-1].max_low_mm, run.steps[-1].max_high_mm)]


def test_limit_of_colours():
    assert colour_limit(np.array([[0.3, -4.02, np.nan]])) == 4.1
    assert colour_limit(np.array([[0.0, 0.0]])) == 1.0
    assert colour_limit(np.array([[0.12]]), np.array([[-0.05]])) == 0.12


def test_numbers_carry_a_true_minus_and_zero_no_sign():
    assert [signed(v) for v in (-0.071, 0.08, -0.001)] == ["\u22120.07", "+0.08", "0.00"]


def test_odd_runs_are_drawn(tmp_path):
    only_dent = write_run(tmp_path / "dent", PLAN[:1])
    assert len(draw_run(only_dent)) == 7
    one_step = write_run(tmp_path / "one", PLAN[:2])
    assert draw_run(one_step, tmp_path / "o", step=0)
    record = read_run(one_step)
    level = replace(record.fields[0], d_mm=np.zeros_like(record.fields[0].d_mm))
    with look():
        assert left_figure(replace(record, fields=(level, level)))
        assert map_figure(replace(record, fields=(level, level)))
    x, y, d = shape(0.0, 0.4, 0.0)
    assert np.nanmin(d) >= 0.0  # nothing low at all: sections still find a place
    assert section_figure(replace(record, fields=(Field(x, y, d), Field(x, y, d))))


def test_comparison_with_a_strategy_that_has_no_run(tmp_path):
    import shutil

    folder = write_comparison(tmp_path / "c")
    shutil.rmtree(folder / "runs" / "crown-first")
    files = draw_comparison(folder)
    assert len(files) == 3
    assert len(maps_of(final_maps_figure(read_comparison(folder)))) == 2
