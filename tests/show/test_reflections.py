"""Pictures of reflected lines: whole, honest in their numbers, refused where none can be."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from stored_run import PLAN, write_run
from test_second_pictures import smallest

from simkit.cli.show import command
from simkit.errors import InputError
from simkit.optics.bench import Pose
from simkit.optics.reflect import shift_of_slope_mm
from simkit.record.read import read_run
from simkit.show.draw import draw_comparison_reflections, draw_movie, draw_reflections
from simkit.show.reflections import open_view, reflection_figure, steps_figure
from simkit.show.style import look


@pytest.fixture
def short(tmp_path):
    """One step, with its surface."""
    return write_run(tmp_path / "run1", PLAN[:1] + PLAN[5:6])


def test_the_undamaged_panel_shows_no_shift_and_the_dent_a_large_one(run_folder):
    view = open_view(read_run(run_folder), Pose(), 161)
    assert view.of(None).numbers()["line_shift_mm"] == 0.0
    dent = view.at(0).numbers()
    assert dent["line_shift_mm"] > dent["seen_from_mm"] == pytest.approx(0.5)
    assert dent["seen_area_mm2"] > view.at(view.record.last).numbers()["seen_area_mm2"] > 0.0


def test_shift_and_slope_of_a_run_agree_with_the_short_formula(run_folder):
    """Straight on, lines along y: R is the panel's 1200 mm along x (formula good to 2 % there;
    the largest shift and slope need not be in one place, so a fifth is allowed)."""
    view = open_view(read_run(run_folder), Pose(view_deg=0.0), 201)
    n = view.at(8).numbers()
    wanted = shift_of_slope_mm(n["slope_error_mrad"], 1200.0, 1000.0, 1000.0)
    assert n["line_shift_mm"] == pytest.approx(wanted, rel=0.2)


def test_the_picture_says_its_numbers(run_folder):
    view = open_view(read_run(run_folder), Pose(), 121)
    with look():
        texts = "\n".join(text.get_text() for text in reflection_figure(view).texts)
    assert f"{view.at(0).numbers()['line_shift_mm']:.0f} mm: seen" in texts
    assert "0.5 mm at 1 m" in texts
    assert view.bench.words() in texts


def test_no_text_is_below_seven_points_on_paper(run_folder):
    """A4 across with margins of 15 mm, as in test_second_pictures."""
    view = open_view(read_run(run_folder), Pose(), 61)
    with look():
        assert min(smallest(reflection_figure(view)), smallest(steps_figure(view))) >= 7.0


def test_pictures_are_written(short, comparison_folder):
    files = draw_reflections(short) + draw_comparison_reflections(comparison_folder)
    assert [file.name for file in files] == ["reflections.png", "reflections-steps.png",
                                             "reflections.png"]
    for file in files:
        with Image.open(file) as image:
            assert min(image.size) > 500
            assert np.asarray(image.convert("L")).std() > 20.0


def test_movie_moves(short):
    with Image.open(draw_movie(short)[0]) as film:
        assert film.n_frames > 1
        first = np.asarray(film.convert("L")).astype(int)
        film.seek(film.n_frames - 1)
        assert np.abs(np.asarray(film.convert("L")).astype(int) - first).max() > 100


def test_a_run_without_its_surface_is_refused(run_folder):
    (run_folder / "surface.npz").unlink()
    with pytest.raises(InputError, match="no surface"):
        draw_reflections(run_folder)


def test_damaged_surfaces_are_refused(run_folder):
    path = run_folder / "surface.npz"
    whole = path.read_bytes()
    path.write_bytes(whole[:200])
    with pytest.raises(InputError, match="damaged or missing"):
        draw_reflections(run_folder)
    np.savez(path, knots_u=np.arange(5.0), knots_v=np.arange(5.0), degree=2,
             control_mm=np.zeros((3, 3)))
    with pytest.raises(InputError, match="do not fit"):
        draw_reflections(run_folder)


@pytest.mark.parametrize("arguments", [["--eye", "0"], ["--view", "90"], ["--spacing", "-3"]])
def test_impossible_set_ups_are_refused_by_the_command(run_folder, arguments):
    result = CliRunner().invoke(command, [str(run_folder), "--reflections", *arguments])
    assert isinstance(result.exception, InputError)
