"""The table of a comparison: drawn on a terminal, aligned text elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simkit.cli.lines import aside, say, stream
from simkit.cli.working import table_width
from simkit.show.table import Column, columns_of, comparison_table, left_out
from simkit.words import visible


def say_comparison(rows: Sequence[Mapping[str, object]]) -> None:
    """Rows of compare.csv, as many columns as the terminal has room for; all into a pipe."""
    width = table_width()
    if width is None:
        say(comparison_table(rows))
        return
    columns, missing = columns_of(rows, width)
    with aside():
        _draw(columns)
    if missing:
        say(left_out(missing))


def _draw(columns: Sequence[Column]) -> None:
    # Imported here: loading rich takes time, and only a terminal needs it.
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False,
                  header_style="bold")
    for column in columns:
        table.add_column(Text("\n".join(filter(None, column.heading))), no_wrap=True,
                         justify="right" if column.numbers else "left")
    for cells in zip(*(column.cells for column in columns), strict=True):
        table.add_row(*(Text(visible(cell), _style(column.key, cell))
                        for column, cell in zip(columns, cells, strict=True)))
    Console(file=stream(), highlight=False).print(table)


def _style(key: str, cell: str) -> str:
    if key in ("flat", "matched"):
        return {"yes": "green", "no": "yellow" if key == "flat" else "red"}.get(cell, "")
    return "bold" if key == "strategy" else ""
