"""`simkit compare`: repair one case by several strategies."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.checks.deeper import check_case
from simkit.cli.answer import json_option, number_or_text, result, wanted
from simkit.cli.working import (
    ACCEPT,
    EXIT_NO_MATCH,
    EXIT_NOT_CONVERGED,
    cautions,
    clear,
    hello,
    no_match,
    out_folder,
    say,
)
from simkit.kernels.teamwork import cores
from simkit.show.draw import draw_comparison, draw_run
from simkit.show.table import comparison_table
from simkit.strategy import find_strategy
from simkit.study.compare import compare
from simkit.study.run import NO_MATCH, UNBALANCED


@click.command(epilog="""\b
Examples:
  simkit compare cases/first-dent --out runs/first
  simkit compare cases/crease --strategies crown-first,centre-first
""")
@click.argument("case", type=click.Path())
@click.option("--strategies", metavar="NAMES",
              help="Names with commas between; those of the case if not given.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the comparison; runs/<case>-comparison if not given.")
@click.option("--workers", type=click.IntRange(1, 64), default=None,
              help="Strategies at once; as many as there are processors if not given.")
@click.option("--accept-mismatch", "accept", is_flag=True, help=ACCEPT)
@click.option("--fresh", is_flag=True, help="Start again although the folder holds a comparison.")
@json_option
def command(case: str, strategies: str | None, out: Path | None, workers: int | None,
            accept: bool, fresh: bool) -> None:
    """Repair CASE by several strategies with the same tools and compare them.

    Writes compare.csv (one row a strategy), a run folder each under runs/, and pictures. An
    interrupted comparison goes on where it stopped when the command is given again. Exit code 0
    when all were compared, flat or not; 2 for bad input; 3 if one found no balance; 4 if
    the reconstructed panel does not hold what was measured.
    """
    checked = check_case(case)
    names = checked.strategies if strategies is None else tuple(
        name.strip() for name in strategies.split(",") if name.strip())
    for name in names:
        find_strategy(name, checked)
    names = tuple(dict.fromkeys(names))
    folder = out or out_folder(checked, "comparison")
    clear(folder, fresh, checked)
    hello(checked)
    rows = compare(checked, names, folder, say, workers or cores(), accept, quiet=wanted())
    pictures = draw_comparison(folder)
    for name in names:
        pictures += draw_run(folder / "runs" / name)
    say("")
    say(comparison_table(rows))
    say("")
    say(f"table    {folder / 'compare.csv'}")
    for picture in pictures:
        say(f"picture  {picture}")
    cautions()
    result({"folder": folder, "pictures": pictures, "strategies": [
        {key: number_or_text(text) for key, text in row.items()} for row in rows]})
    if any(row["outcome"] == NO_MATCH for row in rows):
        no_match(checked)
        raise click.exceptions.Exit(EXIT_NO_MATCH)
    if any(row["outcome"] == UNBALANCED for row in rows):
        raise click.exceptions.Exit(EXIT_NOT_CONVERGED)
