"""All pictures of a stored run or comparison; they can be drawn from its folder at any time."""

from __future__ import annotations

from pathlib import Path

from simkit.optics.bench import Pose
from simkit.record.read import ForcePath, RunRecord, read_comparison, read_path, read_run
from simkit.show.bands import LEAST_TOLERANCES, band_figure
from simkit.show.course import comparison_figure
from simkit.show.difference import difference_figure
from simkit.show.maps import left_figure, map_figure
from simkit.show.match import match_figure
from simkit.show.movie import reflection_movie
from simkit.show.multiples import multiples_figure
from simkit.show.profiles import section_figure
from simkit.show.progress import force_figure, progress_figure
from simkit.show.reflections import (
    open_view,
    reflection_figure,
    side_by_side_figure,
    steps_figure,
)
from simkit.show.sheetfigures import sheet_figure
from simkit.show.style import look, save
from simkit.show.versus import final_maps_figure, race_figure
from simkit.show.workmap import work_figure

THUMBNAIL_POINTS = 260
"""Points along a side of small pictures."""


def draw_run(run_dir: Path, out_dir: Path | None = None, step: int | None = None,
             kind: str = "png") -> list[Path]:
    """Draw a stored run: maps, places of work, sections, progress, stresses and strains, force
    path, and the measured dent with the reconstructed one.

    run_dir : folder with run.json, steps.csv and fields/.
    out_dir : folder for the pictures; by default the folder `pictures` in the run.
    step : state to show as "after" (the last by default); its number is then part of the file
        names. The force path is that of this step or, if none is named, of the step with the
        largest force.
    kind : png, svg or pdf.

    Returns the files written. InputError if the folder is missing, damaged or incomplete.
    """
    record = read_run(Path(run_dir))
    number = record.step_index(step)
    path = read_path(record.folder, number) if step is not None else _hardest(record)
    out = Path(out_dir) if out_dir is not None else record.folder / "pictures"
    tail = "" if step is None else f"-step{number:02d}"
    with look(kind):
        files = [save(map_figure(record, number), out / f"map{tail}.png"),
                 save(left_figure(record, number), out / f"left{tail}.png"),
                 save(work_figure(record, number), out / f"work{tail}.png"),
                 save(section_figure(record, number), out / f"sections{tail}.png"),
                 save(progress_figure(record, number), out / f"progress{tail}.png")]
        if record.measured is not None:
            files.append(save(match_figure(record, record.measured), out / "match.png"))
        if record.last > 1 and step is None:
            files.append(save(multiples_figure(record), out / "steps.png"))
        if -record.steps[0].max_low_mm > LEAST_TOLERANCES * record.tolerance_mm:
            files.append(save(band_figure(record, number), out / f"bands{tail}.png"))
        if (record.folder / "surface.npz").exists():
            files.append(save(sheet_figure(record, number), out / f"sheet{tail}.png"))
        if path is not None:
            files.append(save(force_figure(record, path), out / f"force-step{path.step:02d}.png"))
    return files


def draw_comparison(folder: Path, out_dir: Path | None = None, kind: str = "png") -> list[Path]:
    """Draw a stored comparison: all strategies over steps and minutes, final maps on one scale.

    Returns the files written, by default in its folder `pictures`. InputError as in `draw_run`.
    """
    record = read_comparison(Path(folder))
    out = Path(out_dir) if out_dir is not None else record.folder / "pictures"
    with look(kind):
        files = [save(comparison_figure(record), out / "comparison.png")]
        if record.runs:
            files.append(save(final_maps_figure(record), out / "final-maps.png"))
            files.append(save(race_figure(record), out / "progress-all.png"))
    return files


def draw_reflections(run_dir: Path, out_dir: Path | None = None, step: int | None = None,
                     pose: Pose | None = None, kind: str = "png") -> list[Path]:
    """Draw lamp lines and isophotes before and after, and lamp lines step by step.

    Arguments as in `draw_run`; pose : eye, lamps and tilt. InputError also for a run without a
    recorded surface.
    """
    record = read_run(Path(run_dir))
    number = record.step_index(step)
    out = Path(out_dir) if out_dir is not None else record.folder / "pictures"
    tail = "" if step is None else f"-step{number:02d}"
    view = open_view(record, pose or Pose())
    with look(kind):
        return [save(reflection_figure(view, number), out / f"reflections{tail}.png"),
                save(steps_figure(open_view(record, pose or Pose(), THUMBNAIL_POINTS)),
                     out / "reflections-steps.png")]


def draw_comparison_reflections(folder: Path, out_dir: Path | None = None,
                                pose: Pose | None = None, kind: str = "png") -> list[Path]:
    """Draw the reflected lines after the last step of each strategy, side by side."""
    record = read_comparison(Path(folder))
    if not record.runs:
        return []
    out = Path(out_dir) if out_dir is not None else record.folder / "pictures"
    with look(kind):
        return [save(side_by_side_figure(record, pose or Pose()), out / "reflections.png")]


def draw_difference(run_dir: Path) -> Path:
    """Draw the effect of a few operations: before, after, difference."""
    record = read_run(Path(run_dir))
    with look():
        return save(difference_figure(record), record.folder / "pictures" / "difference.png")


def draw_movie(run_dir: Path, out_dir: Path | None = None, pose: Pose | None = None) -> list[Path]:
    """Write the reflected lines of a repair as a movie."""
    record = read_run(Path(run_dir))
    out = Path(out_dir) if out_dir is not None else record.folder / "pictures"
    with look():
        return reflection_movie(open_view(record, pose or Pose(), THUMBNAIL_POINTS), out
                                / "reflections.gif")


def _hardest(record: RunRecord) -> ForcePath | None:
    """Force path of the step with the largest force among those that have one."""
    paths = [read_path(record.folder, step.number) for step in record.steps[1:]]
    return max((path for path in paths if path is not None),
               key=lambda path: float(path.force_N.max()), default=None)
