"""`simkit study`: many runs from one file, one table."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import clear, say
from simkit.errors import InputError
from simkit.kernels.teamwork import cores
from simkit.study.matrix import count_runs
from simkit.study.study import foretell, label, open_study, plan_runs, run_study
from simkit.study.studyfile import read_study

ASKED_FROM = 2000
"""Number of runs above which the command asks before it starts."""
MOST_RUNS = 200_000
RUNS_SHOWN = 40


@click.command(epilog="""\b
Examples:
  simkit study cases/studies/tab-size.yaml --dry-run
  simkit study cases/studies/tab-size.yaml --out runs/tab-size
  simkit study my-study.yaml --scheduler tcp://host:8786
""")
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the study; runs/<study> if not given.")
@click.option("--workers", type=click.IntRange(1, 256), default=None,
              help="Runs at once; as many as there are processors if not given.")
@click.option("--scheduler", metavar="ADDRESS",
              help="Dask scheduler that spreads the runs over machines; all must see the folder.")
@click.option("--dry-run", is_flag=True,
              help="Print the runs, their number, time and disk space; carry out none.")
@click.option("--fresh", is_flag=True,
              help="Remove what an earlier study wrote in the folder, and nothing else.")
@click.option("--yes", is_flag=True, help="Do not ask before a very large study.")
@json_option
def command(study: Path, out: Path | None, workers: int | None, scheduler: str | None,
            dry_run: bool, fresh: bool, yes: bool) -> None:
    """Carry out every run of STUDY: cases x variations x strategies x replicates.

    Each run has a folder named by the digest of its inputs. A finished run is never repeated; the
    same command continues an interrupted study. Writes runs.csv and steps.csv (and .parquet),
    conclusions.csv and, if the sample was drawn for them, sensitivities.csv. A failed run has a row
    with its status and reason. Exit code 0 when all runs have a result, 1 when some failed, 2 for
    bad input.
    """
    spec = read_study(study)
    here = study if study.is_dir() else study.parent
    # Counted before the plans are made: a typing error can mean millions of runs.
    total = count_runs(spec, here)
    if total > MOST_RUNS:
        raise InputError(f"the study has {total:,} runs",
                         f"at most {MOST_RUNS:,}; a sample in place "
                         "of a grid", str(study))
    if total > ASKED_FROM and not yes and not dry_run and not click.confirm(
            f"The study has {total:,} runs. Continue?"):
        raise click.Abort
    plans = plan_runs(spec, here)
    folder = out or Path("runs") / (study.resolve().name if study.is_dir() else study.stem)
    processes = workers or cores()
    if dry_run:
        for plan in plans[:RUNS_SHOWN]:
            say(label(plan))
        if len(plans) > RUNS_SHOWN:
            say(f"... and {len(plans) - RUNS_SHOWN} more")
        for line in foretell(spec, plans, folder, processes):
            say(line)
        result({"runs": total, "labels": [label(plan) for plan in plans]})
        return
    clear(folder, fresh)
    note = open_study(folder, spec)
    say(f"{spec.title}. {spec.about}")
    if note:
        say(note)
    for line in foretell(spec, plans, folder, processes):
        say(line)
    files = run_study(spec, plans, folder, processes, scheduler, say)
    say("")
    conclusions = folder / "conclusions.csv"
    if conclusions in files:
        say(f"conclusions in {conclusions}")
    for file in files:
        say(f"table    {file}")
    result({"runs": total, "folder": folder, "files": files})
