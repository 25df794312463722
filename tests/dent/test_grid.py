"""Depth grids: the bicubic field and every kind of bad file."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.dent.grid import DepthGrid, fit_grid
from simkit.errors import InputError
from simkit.measurement.read import field_of_grid


def hill(x, y):
    """A smooth low with an exact formula."""
    return -2.0 * np.exp(-((x - 5.0) ** 2) / 800.0 - (y + 3.0) ** 2 / 500.0)


def grid_of(step, d=hill):
    x, y = np.arange(-120.0, 121.0, step), np.arange(-96.0, 97.0, step)
    return DepthGrid("made.csv", x, y, d(x[None, :], y[:, None]), np.arange(2, len(y) + 2))


def test_goes_through_the_nodes_and_converges_with_order_four():
    x, y = np.meshgrid(np.linspace(-70, 70, 61), np.linspace(-60, 60, 53))
    errors = []
    for step in (12.0, 6.0):
        grid = grid_of(step)
        fit = fit_grid(grid, 0.0)
        nodes = np.meshgrid(grid.x_mm, grid.y_mm)
        np.testing.assert_allclose(fit(*nodes), grid.d_mm, atol=1e-12)
        errors.append(np.abs(fit(x, y) - hill(x, y)).max())
    # Cubic spline interpolation is of order 4 (de Boor, A Practical Guide to Splines: MEMORY).
    assert np.log2(errors[0] / errors[1]) > 3.5


def test_smoothing_reduces_the_noise():
    noise = 0.05
    grid = grid_of(6.0)
    noisy = DepthGrid(grid.file, grid.x_mm, grid.y_mm,
                      grid.d_mm + np.random.default_rng(1).normal(0, noise, grid.d_mm.shape),
                      grid.line)
    x, y = np.meshgrid(np.linspace(-70, 70, 61), np.linspace(-60, 60, 53))
    fit = fit_grid(noisy, noise)
    assert np.sqrt(np.mean((fit(x, y) - hill(x, y)) ** 2)) < 0.5 * noise
    assert fit.quality.rms_misfit_mm == pytest.approx(noise, rel=0.1)


def test_zero_outside_and_smooth_across_the_border():
    """A field that does not end at the rim of the grid must be closed without a kink."""
    grid = grid_of(8.0, lambda x, y: -1.0 + 0.0 * x * y)
    fit = fit_grid(grid, 0.0)
    t = np.arange(0.0, 220.0, 0.25)
    line = fit(t, 0.0 * t)
    assert (line[t > 120.0 + 7 * 8.0] == 0.0).all()
    assert np.abs(line[t > 120.0 + 4.5 * 8.0]).max() < 0.02
    assert line[t <= 112.0] == pytest.approx(-1.0, abs=0.02)
    # A kink or step of the size of d would show as d''' of about 1/(0.25)^3 or 1/(8 x 0.25^2).
    assert np.abs(np.diff(line, 2)).max() / 0.25**2 < 3.0 / 8.0**2
    assert any("measure further out" in note for note in fit.quality.notes)


GOOD = "# invented\ny\\x,-20,-10,0,10\n-10,0,-0.3,-0.4,-0.1\n0,0,-0.8,-1.1,-0.2\n" \
       "10,0,-0.4,-0.6,-0.1\n20,0,-0.1,-0.1,0\n"

BAD = {
    "hole": (GOOD.replace("0,0,-0.8,-1.1,", "0,0,-0.8,,"), 4, "column x = 0, row y = 0", "hole"),
    "text": (GOOD.replace("-1.1", "low"), 4, "column x = 0, row y = 0", "'low'"),
    "nan": (GOOD.replace("-1.1", "NaN"), 4, "column x = 0, row y = 0", "NaN"),
    "ragged": (GOOD.replace(",-1.1,-0.2", ",-1.1"), 4, None, "4 cells"),
    "x falls": (GOOD.replace("-20,-10,0,10", "-20,-10,-15,10"), 2, "x place", "do not rise"),
    "x twice": (GOOD.replace("-20,-10,0,10", "-20,-10,-10,10"), 2, "x place", "do not rise"),
    "y falls": (GOOD.replace("\n10,0", "\n-5,0"), 5, "y place", "do not rise"),
    "y text": (GOOD.replace("\n10,0", "\nten,0"), 5, "y place", "'ten'"),
    "x text": (GOOD.replace("-20,-10", "-20,left"), 2, "x place 2", "'left'"),
    "corner": (GOOD.replace("y\\x", "x\\y"), 2, None, "y\\x"),
    "points": ("x_mm,y_mm,d_mm\n0,0,-1\n", 1, None, "points_csv"),
    "few rows": (GOOD.rsplit("\n", 2)[0] + "\n", None, None, "3 places along y"),
    "too deep": (GOOD.replace("-1.1", "-110"), 4, "column x = 0, row y = 0", "out of reason"),
    "empty list": ("y\\x,-20,-10,0,10\n", 1, None, "empty"),
    "no dent": ("y\\x,0,1,2,3\n" + "".join(f"{i},0,0,0.01,0\n" for i in range(4)), None, None,
                "no dent"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_grids_name_file_line_and_place(tmp_path, name):
    text, line, key, found = BAD[name]
    path = tmp_path / "grid.csv"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        field_of_grid(path, noise_mm=0.02)
    assert (error.value.file, error.value.line, error.value.key) == (str(path), line, key)
    assert found in str(error.value)
    assert error.value.expected


def test_the_good_grid_is_accepted(tmp_path):
    path = tmp_path / "grid.csv"
    path.write_text(GOOD)
    field = field_of_grid(path, noise_mm=0.0)
    assert float(field(0.0, 0.0)) == pytest.approx(-1.1, abs=1e-12)
    assert float(field(-10.0, 10.0)) == pytest.approx(-0.4, abs=1e-12)
