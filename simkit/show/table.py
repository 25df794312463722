"""A comparison as an aligned table for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# (column of compare.csv, first and second line of the heading, number format or "" for words)
COLUMNS = (
    ("case", "case", "", ""),
    ("dent", "dent", "", ""),
    ("grade", "grade", "", ""),
    ("strategy", "strategy", "", ""),
    ("flat", "flat", "", ""),
    ("matched", "matched", "", ""),
    ("rms_mm", "start", "rms mm", ".3f"),
    ("worst_mm", "start", "worst mm", ".2f"),
    ("steps", "steps", "", ".0f"),
    ("tool_changes", "tool", "changes", ".0f"),
    ("minutes", "time", "min", ".0f"),
    ("steps_roughed", "steps to", "roughed", ".0f"),
    ("steps_fine", "steps to", "fine", ".0f"),
    ("steps_finished", "steps to", "finished", ".0f"),
    ("minutes_fine", "min to", "fine", ".0f"),
    ("max_low_mm", "low", "mm", ".2f"),
    ("max_high_mm", "high", "mm", ".2f"),
    ("slope_mrad", "slope", "mrad", ".1f"),
    ("improvement_pct", "better", "%", ".0f"),
    ("crown_start_mm", "crown", "start", ".2f"),
    ("crown_end_mm", "crown", "end", ".2f"),
    ("stretch_mm2", "stretch", "mm2", ".2f"),
    ("max_force_N", "force", "N", ".0f"),
    ("max_plastic_strain", "plastic", "strain", ".3f"),
    ("outcome", "outcome", "", ""),
)


FIRST = ("case", "strategy", "outcome", "steps", "minutes", "max_low_mm", "max_high_mm",
         "improvement_pct", "slope_mrad", "flat", "max_force_N", "matched", "tool_changes",
         "steps_fine", "minutes_fine", "crown_end_mm", "stretch_mm2", "grade", "dent")
"""Order in which columns are kept if the terminal is too narrow for all."""


def comparison_table(rows: Sequence[Mapping[str, object]], width: int | None = None) -> str:
    """Rows of compare.csv as aligned text; columns that no row has are omitted.

    width : characters of a line; columns beyond it are omitted, and their number is given below the
        table. None: all columns.

    rows : one mapping for each strategy, values as read from the file or as numbers. Numbers are
    aligned right, words left; "-" is a missing value.
    """
    columns, missing = columns_of(rows, width)
    padded = [[text.rjust(column.wide) if column.numbers else text.ljust(column.wide)
               for text in (*column.heading, *column.cells)] for column in columns]
    lines = ["  ".join(parts).rstrip() for parts in zip(*padded, strict=True)]
    lines.insert(2, "-" * max((len(line) for line in lines), default=0))
    return "\n".join([*lines, left_out(missing)] if missing else lines)


@dataclass(frozen=True)
class Column:
    """A column as it is shown: two lines of heading, a cell a row; numbers stand right."""

    key: str
    heading: tuple[str, str]
    cells: tuple[str, ...]
    numbers: bool

    @property
    def wide(self) -> int:
        """Letters of its widest text."""
        return max(len(text) for text in (*self.heading, *self.cells))


def columns_of(rows: Sequence[Mapping[str, object]],
               width: int | None = None) -> tuple[list[Column], int]:
    """Columns of rows of compare.csv that find room on a line, and how many do not."""
    there = [Column(key, (first, second), tuple(_cell(key, style, row) for row in rows),
                    bool(style))
             for key, first, second, style in COLUMNS if any(key in row for row in rows)]
    kept = {column.key for column in there} if width is None else _with_room(there, width)
    return [column for column in there if column.key in kept], len(there) - len(kept)


def left_out(columns: int) -> str:
    """What is said of columns that found no room."""
    return f"({columns} more columns in the table's file)"


def _with_room(columns: Sequence[Column], width: int) -> set[str]:
    """Columns that fit on a line, chosen in the order of FIRST."""
    wide = {column.key: 2 + column.wide for column in columns}
    kept, used = set(), -2
    for key in (key for key in FIRST if key in wide):
        if used + wide[key] <= width:
            kept.add(key)
            used += wide[key]
    return kept


def flat_word(value: object) -> str:
    """The column `flat` as yes, no, or "-" if it is missing."""
    word = str(value).strip().lower()
    if word in ("true", "yes", "1"):
        return "yes"
    return "no" if word in ("false", "no", "0") else "-"


def _cell(key: str, style: str, row: Mapping[str, object]) -> str:
    value = row.get(key)
    if key == "flat":
        return flat_word(value)
    if value is None or str(value).strip() in ("", "nan"):
        return "-"
    if not style:
        return str(value)
    try:
        return format(float(str(value)), style)
    except ValueError:
        return str(value)
