"""Comparison, bands, work, sheet: they show what is stored, and the eye can tell it apart."""

from __future__ import annotations

import itertools
import shutil

import numpy as np
import pytest
from matplotlib.text import Text
from stored_run import PLAN, TOLERANCE, write_run
from test_pictures import lab, linear_rgb

from simkit.record.read import read_comparison, read_run
from simkit.show.bands import band_figure, band_levels
from simkit.show.course import comparison_figure, course
from simkit.show.difference import difference_figure
from simkit.show.maps import left_figure, map_figure
from simkit.show.multiples import multiples_figure
from simkit.show.progress import progress_figure
from simkit.show.setting import read_setting, tab_outline
from simkit.show.sheetfigures import COLOURS, sheet_figure
from simkit.show.style import STRATEGY_COLOURS, look
from simkit.show.versus import final_maps_figure
from simkit.show.workmap import work_figure
from simkit.tool.catalogue import find_tab

# Simulation of colour-vision deficiency on linear RGB: Machado, Oliveira and Fernandes 2009,
# severity 1 (MEMORY; the deuteranopia matrix was compared with public copies, see test_pictures).
DEFICIENT = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("eyes", DEFICIENT)
def test_colours_of_strategies_differ_for_colour_blind_eyes(eyes):
    from matplotlib.colors import to_rgb

    seen = [lab(np.array(DEFICIENT[eyes]) @ linear_rgb(to_rgb(colour)))
            for colour in STRATEGY_COLOURS[:5]]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 8.0


@pytest.mark.parametrize("eyes", DEFICIENT)
def test_maps_of_the_sheet_grow_lighter_evenly_for_all_eyes(eyes):
    import matplotlib as mpl

    shades = [lab(np.array(DEFICIENT[eyes]) @ linear_rgb(mpl.colormaps[COLOURS](v)))[0]
              for v in np.linspace(0.0, 1.0, 11)]
    assert np.diff(shades).min() > 3.0


@pytest.mark.parametrize("draw", [
    map_figure, left_figure, band_figure, work_figure, sheet_figure, progress_figure,
    difference_figure, multiples_figure])
def test_no_text_of_a_run_is_below_seven_points_on_paper(run_folder, draw):
    """A4 across with margins of 15 mm: 267 mm (ISO 216; MEMORY)."""
    with look():
        assert smallest(draw(read_run(run_folder))) >= 7.0


@pytest.mark.parametrize("draw", [comparison_figure, final_maps_figure])
def test_no_text_of_a_comparison_is_below_seven_points_on_paper(comparison_folder, draw):
    with look():
        assert smallest(draw(read_comparison(comparison_folder))) >= 7.0


def smallest(figure) -> float:
    from_points = min(1.0, 267.0 / 25.4 / figure.get_figwidth())
    return from_points * min(text.get_fontsize() for text in figure.findobj(Text)
                             if text.get_text() and text.get_visible())


def test_bands_hold_the_tolerance_and_double_from_there():
    levels = band_levels(0.1, 40.0)
    assert levels == [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0]
    assert band_levels(0.1, 0.2) == [0.1, 0.2]


def test_bands_show_a_crown_beside_a_depth_that_hides_it(tmp_path):
    """40 mm deep and 3 mm of crown: on the even scale hardly tinted, in bands plainly red."""
    run = write_run(tmp_path / "deep", [("", "", None, None, None, 40.0, 3.0, 0.0)])
    record = read_run(run)
    with look():
        even, bands = map_figure(record).axes[0].images[0], band_figure(record).axes[0].images[0]
    assert "not even" in " ".join(t.get_text() for t in band_figure(record).findobj(Text))
    red = [np.asarray(image.cmap(image.norm(2.9))) for image in (even, bands)]
    white = lab(np.ones(3))
    seen = [np.linalg.norm(lab(linear_rgb(c)) - white) for c in red]
    assert seen[1] > 3.0 * seen[0]


def test_curves_end_where_the_records_end_and_none_hides_another(comparison_folder):
    record = read_comparison(comparison_folder)
    ax = comparison_figure(record).axes[0]
    curves = [line for line in ax.lines if len(line.get_xdata()) > 2]
    assert [line.get_ydata()[-1] for line in curves] == [
        run.steps[-1].number_of("improvement_pct") for run in record.runs.values()]
    widths = [line.get_linewidth() for line in curves]
    assert widths == sorted(widths, reverse=True)
    assert min(-np.diff(widths)) > 1.0
    for run in record.runs.values():
        minutes, _ = course(run, "minutes")
        assert minutes[-1] == pytest.approx(3.0 * run.last)


def test_stages_stand_at_their_steps(comparison_folder):
    record = read_comparison(comparison_folder)
    stars = [float(line.get_xdata()[0]) for line in comparison_figure(record).axes[0].lines
             if line.get_marker() == "*"]
    assert stars == [float(row["steps_finished"]) for row in record.rows if row["steps_finished"]]


def test_a_comparison_without_stages_or_runs_is_drawn(comparison_folder):
    shutil.rmtree(comparison_folder / "runs")
    path = comparison_folder / "compare.csv"
    lines = [line.split(",") for line in path.read_text().splitlines()]
    keep = [k for k, name in enumerate(lines[0]) if not name.endswith(
        ("_bulk", "_roughed", "_fine", "_finished"))]
    path.write_text("\n".join(",".join(line[k] for k in keep) for line in lines) + "\n")
    with look():
        assert comparison_figure(read_comparison(comparison_folder))


def test_footprints_are_to_scale_and_braces_have_names(run_folder):
    record = read_run(run_folder)
    setting = read_setting(run_folder)
    assert np.ptp(setting.outlines["round 25 mm"], axis=0) == pytest.approx([25.0, 25.0])
    assert np.ptp(setting.outlines["ball 10 mm"], axis=0) == pytest.approx([20.0, 20.0])
    ax = work_figure(record).axes[0]
    assert "brace" in {text.get_text() for text in ax.texts}
    sizes = [np.ptp(patch.get_xy(), axis=0)[0] for patch in ax.patches
             if hasattr(patch, "get_xy") and np.ndim(patch.get_xy()) == 2]
    assert any(size == pytest.approx(25.0) for size in sizes)


@pytest.mark.parametrize("name", ["round-30", "oval-40x20", "strip-80x15", "rounded-60x25",
                                  "blade-100x5"])
def test_outline_of_a_tab_encloses_its_area(name):
    """Shoelace formula; a polygon of 48 sides loses under 1 % of a circle."""
    tab = find_tab(name)
    x, y = tab_outline(tab).T
    area = 0.5 * abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))
    assert area == pytest.approx(tab.area_mm2, rel=0.01)


def test_maps_of_the_sheet_state_their_largest(run_folder):
    record = read_run(run_folder)
    with look():
        figure = sheet_figure(record)
    said = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert f"largest {100 * (0.02 + 0.002 * (len(PLAN) - 1)):.3g} %" in said[1]
    assert record.tolerance_mm == TOLERANCE
