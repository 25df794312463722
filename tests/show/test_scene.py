"""3-D pictures: colours lie where the dent is, lamp lines where the map has them, the repair moves.

Truth: the stored fields and the flat maps of the same run; VTK's order of a structured grid, its
first direction running fastest (its file formats' specification).
"""

from __future__ import annotations

import io
from unittest.mock import MagicMock

import numpy as np
import pytest
from PIL import Image

from simkit.errors import InputError
from simkit.optics.bench import Pose
from simkit.record.read import read_run
from simkit.show import scene, turned
from simkit.show.reflections import PAINT, open_view
from simkit.show.turned import Stage, _turned_to

pyvista = pytest.importorskip("pyvista")


@pytest.fixture
def stage(run_folder):
    return Stage(pyvista, read_run(run_folder), Pose(), (300, 200))


def test_colours_and_heights_lie_where_the_dent_is(stage):
    plotter = MagicMock()
    shape = stage._shape(0, 1.0, 60)
    stage._coloured(plotter, shape, 1.0)
    surface = plotter.add_mesh.call_args.args[0]
    field = stage.record.fields[0]
    row, column = np.unravel_index(np.nanargmin(field.d_mm), field.d_mm.shape)
    lowest = surface.points[np.argmin(surface["deviation (mm)"])]
    step = 2.0 * max(np.ptp(surface.points[:, 0]), np.ptp(surface.points[:, 1])) / 60
    assert np.abs(lowest[:2] - (field.x_mm[column], field.y_mm[row])).max() < step
    assert surface["deviation (mm)"].min() == pytest.approx(np.nanmin(field.d_mm), rel=0.05)


def test_lamp_lines_are_those_of_the_map(stage, monkeypatch):
    plotter = MagicMock()
    monkeypatch.setattr(turned, "POINTS_OF_LAMPS", 150)
    stage._mirror(plotter, stage._shape(0, 1.0, 150))
    surface = plotter.add_mesh.call_args.args[0]
    view = open_view(stage.record, Pose(), 150)
    places = view.at(0).grid.points_mm
    for v, u in ((10, 20), (75, 40), (140, 99), (60, 120)):
        at = np.argmin(np.abs(surface.points - places[v, u]).sum(axis=1))
        dark = np.abs(surface["lamps"][at] / 255.0 - PAINT).max() < 0.5
        assert dark == (view.at(0).lines()[v, u] < 0.5)
    assert tuple(plotter.camera.position) == tuple(view.bench.eye_mm)


def test_a_tool_stands_square_on_the_sheet():
    normal = np.array([0.3, -0.2, 0.9])
    normal /= np.linalg.norm(normal)
    turn = _turned_to(normal)
    np.testing.assert_allclose(turn @ (0.0, 0.0, 1.0), normal, atol=1e-12)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)


def test_pictures_are_drawn_without_a_display(run_folder, tmp_path, monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    try:
        files = scene.draw_scenes(run_folder, tmp_path, 1)
    except InputError as error:
        pytest.skip(str(error))
    assert [file.name for file in files] == ["scene-step01.png", "scene-lamps-step01.png"]
    coloured, mirrored = (np.asarray(Image.open(io.BytesIO(file.read_bytes())).convert("RGB"),
                                     dtype=int) for file in files)
    assert coloured.shape == mirrored.shape == (900, 1400, 3)
    blue = coloured[..., 2] - coloured[..., 0] > 60
    assert blue[:, :1150].sum() > 200  # in the dent, beside the scale
    dark = np.abs(mirrored - 255 * PAINT).max(axis=-1) < 40
    assert 0.1 < dark.mean() < 0.5


def test_the_movie_shows_every_step_on_its_way():
    moments = scene._moments(3)
    assert moments[0] == (0, 1.0)
    assert [number for number, share in moments if share == 1.0] == [0, 1, 2, 3]
    assert len(moments) == 1 + 3 * scene.FRAMES_BETWEEN
