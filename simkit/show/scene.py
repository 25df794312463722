"""3-D picture of a stored state with pyvista, an optional extra.

VTK ends the whole process when no working OpenGL library is there, so the picture is always
drawn in a child process; its death becomes one line of advice.
"""

from __future__ import annotations

import importlib
import importlib.util
import io
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import InputError
from simkit.record.read import read_run
from simkit.show.region import fine, zoom
from simkit.show.style import DIVERGING, colour_limit, store
from simkit.words import one_line

# VTK's default window first, then the two that need no display.
WINDOWS = ("", "vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow")
TIME_LIMIT_S = 120.0
CHILD = ("import sys; sys.path.append(sys.argv[1]); from simkit.show.scene import child; "
         "child()")


def draw_scene(run_dir: Path, out: Path, step: int | None = None) -> Path:
    """Draw the deviations after a step as a lit surface, heights exaggerated, into a PNG.

    run_dir : run folder. out : PNG to write. step : state, the last by default.

    Returns `out`. InputError when pyvista is not installed, when no OpenGL library works, or
    when the run is unusable.
    """
    record = read_run(Path(run_dir))
    number = record.step_index(step)
    if importlib.util.find_spec("pyvista") is None:
        raise InputError("3-D pictures need pyvista, which is not installed",
                         "pip install -e '.[three-d]' in simkit's folder")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)  # before the long work
    except OSError as err:
        raise InputError(f"cannot write the picture ({err.strerror})",
                         "a folder that can be written; see --out", str(out)) from err
    for window in WINDOWS:
        picture = _by_child(record.folder, number, window)
        if picture is not None:
            return store(picture, out)
    raise InputError("3-D picture could not be drawn: no working OpenGL library",
                     "on Debian: apt install libegl1 libgl1-mesa-dri")


def _by_child(folder: Path, number: int, window: str) -> bytes | None:
    """Draw in a child process with one kind of VTK window; None when it died or hung."""
    env = {**os.environ, "PYTHONSAFEPATH": "1"}
    if window:
        env["VTK_DEFAULT_OPENGL_WINDOW"] = window
    root = str(Path(__file__).resolve().parents[2])
    command = [sys.executable, "-P", "-c", CHILD, root, str(folder), str(number)]
    try:
        done = subprocess.run(command, env=env, timeout=TIME_LIMIT_S, capture_output=True,
                              check=False)
    except subprocess.TimeoutExpired:
        return None
    whole = done.returncode == 0 and done.stdout.startswith(b"\x89PNG")
    return done.stdout if whole else None


def child() -> None:
    """Runs in the child process only: the picture goes to standard output, all words elsewhere."""
    out = os.dup(1)
    os.dup2(2, 1)
    data = _render(sys.argv[2], int(sys.argv[3]))
    with open(out, "wb") as stream:
        stream.write(data)


def _render(run_dir: str, step: int) -> bytes:
    # Loaded by name: its stubs differ between versions and it is an optional extra.
    pyvista: Any = importlib.import_module("pyvista")
    record = read_run(Path(run_dir))
    window = zoom((record.fields[0], record.fields[step]), record.tolerance_mm, 1.25)
    field = fine(record.fields[step], window, points=240)
    limit = colour_limit(record.fields[0].d_mm, record.fields[step].d_mm)
    times = max(1, round(0.15 * (window.y1 - window.y0) / limit))
    xx, yy = np.meshgrid(field.x_mm, field.y_mm)
    surface = pyvista.StructuredGrid(xx, yy, times * np.nan_to_num(field.d_mm))
    surface["deviation (mm)"] = np.nan_to_num(field.d_mm).ravel(order="F")
    plotter = pyvista.Plotter(off_screen=True, window_size=(1400, 900), lighting="none")
    plotter.set_background("white")
    # White lights only: VTK's usual warm light would tint the colours of the scale.
    plotter.add_light(pyvista.Light(light_type="headlight", intensity=0.5))
    plotter.add_light(pyvista.Light(position=(-300.0, 150.0, 250.0), intensity=0.55))
    plotter.add_mesh(surface, scalars="deviation (mm)", cmap=DIVERGING, clim=(-limit, limit),
                     smooth_shading=True, specular=0.1, ambient=0.3,
                     scalar_bar_args={"color": "black", "vertical": True, "fmt": "%+.1f",
                                      "position_x": 0.88, "position_y": 0.2, "height": 0.6})
    plotter.add_text(f"{one_line(record.title, 80)}\nAfter step {step}, heights x {times}",
                     color="black", font_size=13)
    plotter.camera_position = [(0.35, -1.0, 0.75), (0.0, 0.0, 0.0), (0.0, 0.0, 1.0)]
    plotter.reset_camera()
    plotter.camera.zoom(1.35)
    picture = io.BytesIO()
    plotter.screenshot(picture)
    return picture.getvalue()
