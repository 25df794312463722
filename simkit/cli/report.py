"""`simkit report`: the report of a stored run, comparison or study."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import say, spared
from simkit.report.write import write_report


@click.command("report", epilog="""\b
Examples:
  simkit report runs/first-dent
  simkit report runs/first-dent/runs/crown-first --pdf --out crown
""")
@click.argument("folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE",
              help="Name of the report without its ending; RUN/report if not given.")
@click.option("--pdf", is_flag=True, help="Also write it as PDF (needs the extra report).")
@json_option
def command(folder: Path, out: Path | None, pdf: bool) -> None:
    """Write the report of RUN, a folder of simkit run, compare or study: one HTML file.

    Its contents: question, panel, dent and quality of its match, uncertainty, strategies, steps,
    pictures, risks, cautions, inputs with digests, sources of the sheet's numbers. Only stored
    records are read.
    """
    out = out or folder / "report"
    page = spared(out, ".html", b"<!DOCTYPE html")
    if pdf and not page.exists():  # a PDF without our page beside it is not ours
        spared(page.with_suffix(".pdf"), ".pdf", b"none of ours")
    files = write_report(folder, page, pdf)
    for file in files:
        say(f"written  {file}")
    result({"files": files})
