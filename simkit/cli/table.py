"""`simkit table`: one table from many folders."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import click

from simkit.cli.answer import json_option, number_or_text, result, wanted
from simkit.cli.working import say
from simkit.errors import InputError
from simkit.files import Damaged, read_plain, write_atomic, write_table
from simkit.study.gather import gather
from simkit.study.tables import parquet

MOST_BYTES = 2_000_000_000


@click.command(epilog="""\b
Examples:
  simkit table runs/first runs/second
  simkit table runs/* --out all.csv
  simkit table runs/tab-size --out all.parquet
""")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE",
              help="CSV or Parquet file by its ending; printed as CSV if not given.")
@json_option
def command(folders: tuple[Path, ...], out: Path | None) -> None:
    """Join the runs, comparisons and studies in FOLDERS, one row for each run.

    The columns are case, dent, grade, strategy, status, matched, rms_mm, those of compare.csv and
    those of the studies. Exit code 2 for a folder that holds none of these.
    """
    columns, rows = gather(list(folders))
    full = [{column: row.get(column, "") for column in columns} for row in rows]
    result({"file": out, "rows": [{key: number_or_text(str(cell)) for key, cell in row.items()}
                                  for row in full]})
    if out is None:
        if wanted():
            return
        text = io.StringIO()
        writer = csv.DictWriter(text, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(full)
        click.echo(text.getvalue(), nl=False)
        return
    _spare(out)
    try:
        _write(out, columns, full)
    except OSError as error:
        raise InputError(f"cannot write the table ({error.strerror})",
                         "a file in a folder that can be written", str(out)) from error
    say(f"table    {out}, {len(full)} rows")


def _write(out: Path, columns: tuple[str, ...], rows: list[dict[str, str]]) -> None:
    if out.suffix == ".parquet":
        data = parquet(columns, rows)
        if data is None:
            raise InputError("--out .parquet needs the package pyarrow",
                             "pip install -e '.[study]' in simkit's folder, or a file "
                             "that ends in .csv")
        write_atomic(out, data)
    elif out.suffix == ".csv":
        write_table(out, columns, rows)
    else:
        raise InputError(f"--out {out.name}", "a file that ends in .csv or .parquet")


def _spare(out: Path) -> None:
    """Refuse to overwrite a file that is not a table of ours, by its first columns or bytes."""
    if not out.exists():
        return
    try:
        start = read_plain(out, MOST_BYTES)[:10]
    except (OSError, Damaged):
        start = b""
    if start != b"folder,run" and not start.startswith(b"PAR1"):
        raise InputError("exists and is not a table of simkit", "another name for --out",
                         str(out))
