"""A repair as a movie of reflected lines: always as GIF, also as MP4 if ffmpeg is installed."""

from __future__ import annotations

import io
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from simkit.errors import InputError
from simkit.files import write_atomic
from simkit.show.reflections import Screen, View

TIME_LIMIT_S = 120.0
FRAMES_BETWEEN, FRAMES_HELD, PER_SECOND = 4, 6, 10


def reflection_movie(view: View, out: Path) -> list[Path]:
    """Write out.gif and, if ffmpeg is installed, out.mp4; returns the files written.

    Between two steps the surface is interpolated linearly. This has no mechanical meaning.
    """
    return write_movie(list(_frames(view)), out)


def write_movie(frames: list[np.ndarray], out: Path, colours: int = 16) -> list[Path]:
    """Write pictures (rows, columns, 3) of 8 bits as out.gif and, with ffmpeg, out.mp4."""
    files = [_gif(frames, out.with_suffix(".gif"), colours)]
    if shutil.which("ffmpeg"):
        files.append(_mp4(frames, out.with_suffix(".mp4")))
    return files


def _frames(view: View) -> Iterator[np.ndarray]:
    screen = Screen(view)
    before = view.sheet.moved(0)
    yield from [_drawn(screen, before, "The dent")] * FRAMES_HELD
    for step in view.record.steps[1:]:
        after = view.sheet.moved(step.number)
        words = f"Step {step.number}: {step.operation} {step.tool}"
        for share in np.arange(1, FRAMES_BETWEEN + 1) / FRAMES_BETWEEN:
            yield _drawn(screen, before + share * (after - before), words)
        before = after
    yield from [_drawn(screen, before, f"After {view.record.last} steps")] * 2 * FRAMES_HELD


def _drawn(screen: Screen, moved: np.ndarray, words: str) -> np.ndarray:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    screen.show(moved, words)
    screen.figure.set_dpi(90)
    canvas = FigureCanvasAgg(screen.figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].copy()


def _gif(frames: list[np.ndarray], path: Path, colours: int) -> Path:
    from PIL import Image

    seen = np.concatenate([frames[0], frames[len(frames) // 2], frames[-1]])
    first = Image.fromarray(seen).quantize(colours, dither=Image.Dither.NONE)
    images = [Image.fromarray(f).quantize(palette=first, dither=Image.Dither.NONE)
              for f in frames]
    out = io.BytesIO()
    images[0].save(out, format="GIF", save_all=True, append_images=images[1:], loop=0,
                   duration=1000 // PER_SECOND, optimize=False)
    return _store(out.getvalue(), path)


def _store(data: bytes, path: Path) -> Path:
    try:
        write_atomic(path, data)
    except OSError as error:
        raise InputError(f"cannot write the movie ({error.strerror})",
                         "a folder that can be written; see --out", str(path)) from error
    return path


def _mp4(frames: list[np.ndarray], path: Path) -> Path:
    """Write an MP4 by ffmpeg in a child process, from raw pictures."""
    # yuv420p needs even sizes
    height, width = (size - size % 2 for size in frames[0].shape[:2])
    place = tempfile.TemporaryDirectory()
    beside = Path(place.name) / path.name
    command = ["ffmpeg", "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "rgb24",
               "-s", f"{width}x{height}", "-r", str(PER_SECOND), "-i", "-", "-pix_fmt", "yuv420p",
               "-movflags", "+faststart", str(beside)]
    data = b"".join(np.ascontiguousarray(f[:height, :width]).tobytes() for f in frames)
    try:
        done = subprocess.run(command, input=data, timeout=TIME_LIMIT_S, capture_output=True,
                              check=False)
        if done.returncode != 0:
            raise InputError("ffmpeg could not write the movie",
                             "a whole ffmpeg with H.264, or take the GIF", str(path))
        return _store(beside.read_bytes(), path)
    except subprocess.TimeoutExpired as error:
        raise InputError("ffmpeg did not end", "the GIF instead", str(path)) from error
    finally:
        place.cleanup()
