"""3-D pictures and movies of a stored run with pyvista, an optional extra.

Without a working OpenGL library, VTK ends the whole process. Therefore a child process draws
(:mod:`simkit.show.turned`); if it dies, the user gets one line of advice.
"""

from __future__ import annotations

import importlib.util
import io
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

import numpy as np

from simkit.errors import InputError
from simkit.optics.bench import Pose
from simkit.record.read import RunRecord, read_run
from simkit.show.movie import write_movie
from simkit.show.style import store
from simkit.underway import beat

# VTK's default window is tried first, then the two that need no display.
WINDOWS = ("", "vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow")
TIME_LIMIT_S, TIME_LIMIT_OF_A_FRAME_S = 120.0, 20.0
FRAMES_BETWEEN, FRAMES_HELD = 4, 5
LARGEST_EXAGGERATION = 1000.0
CHILD = ("import sys; sys.path.append(sys.argv[1]); from simkit.show.turned import child; "
         "child()")


def draw_scenes(run_dir: Path, out_dir: Path, step: int | None = None,
                exaggerate: float | None = None, pose: Pose | None = None) -> list[Path]:
    """Draw the panel after a step in 3-D, with the step's tool on it.

    Two pictures: ``scene``, coloured by deviation, with enlarged displacements; and
    ``scene-lamps``, the true shape with the lamp lines that an eye at the place of ``pose`` sees.

    run_dir : run folder. step : state, the last by default. exaggerate : factor on displacements; 1
    is true, None chooses a factor that shows the dent well.

    Returns the files. InputError if pyvista is not installed, if no OpenGL library works, or if the
    run cannot be used.
    """
    record = _ready(run_dir, out_dir)
    number = record.step_index(step)
    tail = "" if step is None else f"-step{number:02d}"
    common = _told(record, pose) | {"size": [1400, 900]}
    kinds = ["scene", "scene-lamps"] if (record.folder / "surface.npz").exists() else ["scene"]
    shots = [{"kind": kind, "step": number, "share": 1.0, "exaggerate": exaggerate}
             for kind in kinds]
    beat("drawing in 3-D")
    pictures = _by_a_child(common | {"shots": shots})
    return [store(picture, out_dir / f"{kind}{tail}.png")
            for kind, picture in zip(kinds, pictures, strict=True)]


def draw_scene_movie(run_dir: Path, out_dir: Path, exaggerate: float | None = None,
                     pose: Pose | None = None) -> list[Path]:
    """The repair in 3-D, step by step, as scene.gif and, if ffmpeg is installed, scene.mp4.

    Between two steps the shape is interpolated linearly. This has no mechanical meaning.
    """
    record = _ready(run_dir, out_dir)
    common = _told(record, pose) | {"size": [900, 600]}
    shots = [{"kind": "scene", "step": number, "share": share, "exaggerate": exaggerate}
             for number, share in _moments(record.last)]
    beat(f"drawing {len(shots)} pictures of a movie in 3-D")
    drawn = [_pixels(picture) for picture in _by_a_child(common | {"shots": shots})]
    held = [drawn[0]] * FRAMES_HELD + drawn[1:] + [drawn[-1]] * 2 * FRAMES_HELD
    return write_movie(held, out_dir / "scene", colours=192)


def _moments(last: int) -> list[tuple[int, float]]:
    """The frames of the movie: step, and share of the change by this step."""
    shares = [float(k) / FRAMES_BETWEEN for k in range(1, FRAMES_BETWEEN + 1)]
    return [(0, 1.0), *((number, share) for number in range(1, last + 1) for share in shares)]


def _pixels(picture: bytes) -> np.ndarray:
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"))


def _ready(run_dir: Path, out_dir: Path) -> RunRecord:
    """The run, after a check that pyvista is installed and that the folder can be written."""
    record = read_run(Path(run_dir))
    if importlib.util.find_spec("pyvista") is None:
        raise InputError("3-D pictures need pyvista, which is not installed",
                         "pip install -e '.[three-d]' in simkit's folder")
    try:
        out_dir.mkdir(parents=True, exist_ok=True)  # before the long work
    except OSError as err:
        raise InputError(f"cannot write the picture ({err.strerror})",
                         "a folder that can be written; see --out", str(out_dir)) from err
    return record


def _told(record: RunRecord, pose: Pose | None) -> dict[str, object]:
    return {"run": str(record.folder), "pose": asdict(pose or Pose())}


def _by_a_child(order: dict) -> list[bytes]:
    """The pictures of an order; InputError if no kind of window can draw them."""
    for window in WINDOWS:
        pictures = _attempt(order, window)
        if pictures is not None:
            return pictures
    raise InputError("3-D picture could not be drawn: no working OpenGL library",
                     "on Debian: apt install libegl1 libgl1-mesa-dri")


def _attempt(order: dict, window: str) -> list[bytes] | None:
    """Draw in a child process with one kind of VTK window; None if it dies or takes too long."""
    env = {**os.environ, "PYTHONSAFEPATH": "1"}
    if window:
        env["VTK_DEFAULT_OPENGL_WINDOW"] = window
    root = str(Path(__file__).resolve().parents[2])
    limit_s = TIME_LIMIT_S + TIME_LIMIT_OF_A_FRAME_S * len(order["shots"])
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-P", "-c", CHILD, root, place]
        try:
            done = subprocess.run(command, env=env, timeout=limit_s, capture_output=True,
                                  check=False, input=json.dumps(order).encode())
        except subprocess.TimeoutExpired:
            return None
        files = [Path(place) / f"{k}.png" for k in range(len(order["shots"]))]
        if done.returncode != 0 or not all(file.is_file() for file in files):
            return None
        pictures = [file.read_bytes() for file in files]
    return pictures if all(p.startswith(b"\x89PNG") for p in pictures) else None
