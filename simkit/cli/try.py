"""`simkit try`: carry out single operations on a panel and show what each one changes."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.settings import checked_case, set_option
from simkit.cli.working import cautions, hello, out_folder, say
from simkit.errors import InputError
from simkit.repair.spoken import read_operation
from simkit.show.draw import draw_difference, draw_run
from simkit.study.attempt import attempt, dent_of, next_folder, step_of


@click.command("try", epilog="""\b
Examples:
  simkit try cases/first-dent --do "pull round-30 at 30,-15 to -2"
  simkit try cases/first-dent --do "tap ball-12 at 28,54" --do "pull round-30 at 30,-15"
  simkit try cases/first-dent --from runs/crown --step 4 --do "push ball-12 at 30,-15 to 0.3"
""")
@click.argument("case", type=click.Path())
@click.option("--do", "words", multiple=True, required=True, metavar="OPERATION",
              help='"KIND TOOL at X,Y to D turn DEG"; kinds: pull, push, tap, hold, let-down. D, '
                   "the deviation wanted after release, is 0 if left out. Repeat it for further "
                   "operations. Holds, passes, lifters and blows: docs/trying.md.")
@click.option("--from", "run", type=click.Path(path_type=Path), metavar="RUN",
              help="Start from a run of this case instead of from its dent.")
@click.option("--step", type=int, metavar="N", help="Step of that run; its last if not given.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the tries; runs/<case>-try if not given.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Threads for the sheet.")
@set_option
@json_option
def command(case: str, words: tuple[str, ...], run: Path | None, step: int | None,
            out: Path | None, threads: int, settings: tuple[str, ...]) -> None:
    """Carry out single operations on the panel of CASE and draw what they change.

    Every try has a run folder of its own, numbered 01, 02, ... under the folder of the tries; the
    reconstructed dent is stored there and used again. No earlier run is changed. Exit code 0 when
    all operations were tried, flat or not; 2 for bad input.
    """
    # All operations are read first, so that an error in the last one costs no computation.
    operations = [read_operation(text) for text in words]
    if step is not None and run is None:
        raise InputError("--step without --from", "the run whose step it is: --from RUN")
    checked = checked_case(case, settings)
    folder = out or out_folder(checked, "try")
    hello(checked)
    if run is None:
        start = dent_of(checked, folder, threads, say)
        said = {}
    else:
        start = step_of(checked, run, step, threads, say)
        said = {"from_step": "last" if step is None else step}
    place = next_folder(folder)
    session = attempt(start, operations, place, said, say)
    pictures = [draw_difference(place), *draw_run(place)]
    say("")
    say(f"record   {place / 'steps.csv'}")
    for picture in pictures:
        say(f"picture  {picture}")
    cautions()
    result({"folder": place, "steps": [done.row for done in session.steps], "pictures": pictures})
