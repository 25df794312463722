"""simkit show: draw the pictures of a stored run or comparison again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import click
import numpy as np

from simkit.cli.answer import json_option, number_or_text, result
from simkit.cli.tables import say_comparison
from simkit.cli.working import Finite, say
from simkit.errors import InputError
from simkit.files import is_older_than_mark
from simkit.folders import home_of
from simkit.optics.bench import Pose, make_bench
from simkit.record.folder import take_folder
from simkit.record.read import is_comparison, read_comparison
from simkit.show.draw import (
    draw_comparison,
    draw_comparison_reflections,
    draw_movie,
    draw_reflections,
    draw_run,
)
from simkit.show.scene import LARGEST_EXAGGERATION, draw_scene_movie, draw_scenes

USUAL = Pose()


def _pair(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float]:
    if value is None:
        return (0.0, 0.0)
    try:
        first, second = (float(part) for part in value.split(","))
        if not (math.isfinite(first) and math.isfinite(second)):
            raise ValueError
    except ValueError as error:
        raise click.BadParameter(f"{value!r}; expected two angles in degrees with a comma between,"
                                 " such as 10,-5") from error
    return (first, second)


@click.command("show", epilog="""\b
Examples:
  simkit show runs/first/runs/crown-first
  simkit show runs/first/runs/crown-first --reflections --movie
  simkit show runs/first --reflections --spacing 25 --eye 800 --view 45
""")
@click.argument("folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder for the pictures; RUN/pictures if not given.")
@click.option("--step", type=int, metavar="N",
              help="State to show as 'after'; the last step if not given.")
@click.option("--format", "kind", type=click.Choice(["png", "svg", "pdf"]), default="png",
              show_default=True, help="Format of the pictures.")
@click.option("--three-d", is_flag=True,
              help="Also draw the panel in 3-D with the step's tool on it, and with the lamp lines "
                   "that the eye sees; with --movie the repair, too (needs the extra three-d).")
@click.option("--exaggerate", type=Finite(0.0, LARGEST_EXAGGERATION), metavar="TIMES",
              help="3-D: factor on displacements; 1 is true. Chosen automatically if not given.")
@click.option("--reflections", is_flag=True,
              help="Also draw lamp lines reflected in the panel, isophotes, and every step.")
@click.option("--movie", is_flag=True,
              help="Also write the reflections as a movie: GIF, and MP4 if ffmpeg is installed.")
@click.option("--eye", type=Finite(), default=USUAL.eye_mm, show_default=True, metavar="MM",
              help="Reflections: distance from panel to eye.")
@click.option("--lamp", type=Finite(), default=USUAL.lamp_mm, show_default=True, metavar="MM",
              help="Reflections: distance from panel to lamps.")
@click.option("--spacing", type=Finite(), default=USUAL.spacing_mm, show_default=True, metavar="MM",
              help="Reflections: distance of neighbouring lamp lines.")
@click.option("--view", type=Finite(), default=USUAL.view_deg, show_default=True, metavar="DEG",
              help="Reflections: angle between the view and the panel's normal.")
@click.option("--lines", type=Finite(), default=USUAL.lines_deg, show_default=True, metavar="DEG",
              help="Reflections: direction of the lines on the panel, from the x axis.")
@click.option("--tilt", callback=_pair, metavar="X,Y",
              help="Reflections: rotation of the panel about its x and y axis, degrees; eye and "
                   "lamps stay.")
@json_option
def command(folder: Path, out: Path | None, step: int | None, kind: str, three_d: bool,
            exaggerate: float | None, reflections: bool, movie: bool, eye: float, lamp: float,
            spacing: float, view: float, lines: float, tilt: tuple[float, float]) -> None:
    """Draw the pictures of RUN again, a folder written by simkit run or compare.

    Nothing is computed again: only the stored tables and fields are read. For a run: maps before
    and after, remaining deviation, two sections, lows and highs against steps, force against
    travel. For a comparison: the table, bars, final maps, and lows and highs of all strategies.
    """
    rows: tuple[Mapping[str, str], ...] = ()
    pose = Pose(eye, lamp, view, USUAL.turn_deg, lines, *tilt, spacing, USUAL.lit)
    make_bench(pose, np.zeros(3), np.array([0.0, 0.0, 1.0]))  # checks the pose before drawing
    compared = is_comparison(folder)
    if compared and (step is not None or three_d or movie):
        raise InputError("--step, --three-d and --movie are for one run",
                         "one of the folders in runs/", str(folder))
    if out is not None:
        take_folder(out)
    if compared:
        rows = read_comparison(folder).rows
        say_comparison(rows)
        files = draw_comparison(folder, out, kind)
        if reflections:
            files += draw_comparison_reflections(folder, out, pose, kind)
    else:
        files = draw_run(folder, out, step, kind)
        if reflections:
            files += draw_reflections(folder, out, step, pose, kind)
        if movie:
            files += draw_movie(folder, out, pose)
        if three_d:
            place = out or folder / "pictures"
            files += draw_scenes(folder, place, step, exaggerate, pose)
            files += draw_scene_movie(folder, place, exaggerate, pose) if movie else []
    home = home_of(folder / "run.json")
    # Without the list of digests a change of the records cannot be detected.
    doubt = "" if home and not is_older_than_mark(*home) else (
        " (this folder has no list of simkit's files: changes in it cannot be detected)")
    say(f"{len(files)} pictures{doubt}:")
    for path in files:
        say(f"  {path}")
    result({"pictures": files, "strategies": [
        {key: number_or_text(text) for key, text in row.items()} for row in rows]})
