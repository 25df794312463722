"""simkit show: draw the pictures of a stored run or comparison again."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.errors import InputError
from simkit.record.read import is_comparison, read_comparison
from simkit.show.draw import draw_comparison, draw_run
from simkit.show.scene import draw_scene
from simkit.show.table import comparison_table


@click.command("show")
@click.argument("folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder for the pictures; RUN/pictures if not given.")
@click.option("--step", type=int, metavar="N",
              help="State to show as 'after'; the last step if not given.")
@click.option("--three-d", is_flag=True,
              help="Also draw the surface in 3-D (needs the extra three-d).")
def command(folder: Path, out: Path | None, step: int | None, three_d: bool) -> None:
    """Draw the pictures of RUN again, a folder that simkit run or compare has written.

    Nothing is computed anew: only the stored tables and fields are read. For a run: map before
    and after, what is left, two sections, lows and highs against steps, force against travel.
    For a comparison: the table, bars, final maps, and lows and highs of all strategies.
    """
    if is_comparison(folder):
        if step is not None or three_d:
            raise InputError("--step and --three-d are for one run",
                             "one of the folders in runs/", str(folder))
        click.echo(comparison_table(read_comparison(folder).rows))
        files = draw_comparison(folder, out)
    else:
        files = draw_run(folder, out, step)
        if three_d:
            tail = "" if step is None else f"-step{step:02d}"
            files.append(draw_scene(folder, (out or folder / "pictures") / f"scene{tail}.png",
                                    step))
    click.echo(f"{len(files)} pictures:")
    for path in files:
        click.echo(f"  {path}")
