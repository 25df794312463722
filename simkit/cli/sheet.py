"""`simkit sheet`: a work sheet to take to the panel."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import say, spared
from simkit.record.read import read_run
from simkit.report.sheet import write_sheet


@click.command("sheet", epilog="""\b
Examples:
  simkit sheet runs/first-dent/runs/crown-first
  simkit sheet runs/crown --out crown.pdf
""")
@click.argument("folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE",
              help="PDF to write; RUN/work-sheet.pdf if not given.")
@json_option
def command(folder: Path, out: Path | None) -> None:
    """Write the work sheet of RUN: A4, one or two pages, PDF.

    It shows the panel to a stated scale with a ruler to check the print, numbered places measured
    from two edges, order, tool, height under load and after release, force at which to stop, boxes
    to tick, and space for your readings.
    """
    path = write_sheet(read_run(folder), spared(out or folder / "work-sheet.pdf", ".pdf", b"%PDF"))
    say(f"written  {path}")
    result({"files": [path]})
