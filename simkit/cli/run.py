"""`simkit run`: repair one case by one strategy."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, number_or_text, result
from simkit.cli.settings import checked_case, set_option
from simkit.cli.working import (
    ACCEPT,
    EXIT_NO_MATCH,
    EXIT_NOT_CONVERGED,
    EXIT_NOT_FLAT,
    cautions,
    clear,
    hello,
    left_words,
    no_match,
    out_folder,
    say,
)
from simkit.record.write import identity, open_folder
from simkit.show.draw import draw_run
from simkit.strategy import find_strategy
from simkit.study.doubt import doubt
from simkit.study.run import NO_MATCH, UNBALANCED, prepare, run_strategy


@click.command(epilog="""\b
Examples:
  simkit run cases/first-dent --strategy crown-first --out runs/crown
  simkit run cases/first-dent --strategy crown-first --set kit.glue=strong-hot-melt --out runs/b
  simkit show runs/crown --step 4
""")
@click.argument("case", type=click.Path())
@click.option("--strategy", "name", required=True, metavar="NAME",
              help="centre-first, crown-first, worst-spot-first, alternating, rim-inwards, "
              "bulk-then-fine, planner, or one of the case's own.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Run folder; runs/<case>-<strategy> if not given.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Threads for the sheet; for --band so many processes.")
@click.option("--band", is_flag=True,
              help="Repeat the repair on every history that explains the dent equally well; writes "
                   "band.csv.")
@click.option("--accept-mismatch", "accept", is_flag=True, help=ACCEPT)
@click.option("--fresh", is_flag=True, help="Start again although the folder holds a run.")
@set_option
@json_option
def command(case: str, name: str, out: Path | None, threads: int, band: bool, accept: bool,
            fresh: bool, settings: tuple[str, ...]) -> None:
    """Repair CASE by one strategy and record every step.

    Writes a folder with steps.csv (one row for each operation), the deviation after every step,
    force against travel, and pictures. The same command continues an interrupted run. Exit code 0
    if the panel is flat, 1 if not, 2 for bad input, 3 if no equilibrium was found, 4 if the
    reconstructed panel does not match the measured one.
    """
    checked = checked_case(case, settings)
    strategy = find_strategy(name, checked)
    folder = out or out_folder(checked, name)
    clear(folder, fresh, checked)
    hello(checked)
    what = {**identity(checked), "strategy": name}
    open_folder(folder, what)
    start = prepare(checked, folder, threads, say, accept, bulk=True)
    row = run_strategy(start, strategy, folder, say)
    doubted = (doubt(start, folder, say, threads)
               if band and row["outcome"] != NO_MATCH else None)
    pictures = draw_run(folder)
    say("")
    if row["outcome"] == NO_MATCH:
        no_match(checked)
    if not start.matched:
        say(f"matched = no. {start.sentence}")
    say(f"{row['outcome']}: {row['steps']} steps, {row['minutes']} minutes, {left_words(row)}")
    if band:
        say(doubted[1] if doubted else "there is no other plausible history: no band")
    say(f"record   {folder / 'steps.csv'}")
    if doubted:
        say(f"band     {doubted[0]}")
    for picture in pictures:
        say(f"picture  {picture}")
    cautions()
    result({"folder": folder, "pictures": pictures, "band": doubted[0] if doubted else None,
            **{key: number_or_text(text) for key, text in row.items()}})
    if row["flat"] != "yes":
        codes = {UNBALANCED: EXIT_NOT_CONVERGED, NO_MATCH: EXIT_NO_MATCH}
        raise click.exceptions.Exit(codes.get(row["outcome"], EXIT_NOT_FLAT))
