"""Numbers from CSV files, with file, line and column in every error message."""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from simkit.errors import InputError
from simkit.intake import read_input

# float() also takes "1_000", "nan" and digits of other scripts; a gauge list never means those.
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
LARGEST_FILE, LONGEST_LINE = 50_000_000, 100_000
FARTHEST_MM = 1e5
"""Largest absolute value that is accepted for a place or a reading."""
DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


@dataclass(frozen=True)
class Table:
    """Header and cells of a CSV file, comments and empty lines left out.

    ``header`` names; ``header_line`` its line; ``rows`` the cells as text; ``lines`` their
    line numbers, counted from 1.
    """

    file: str
    header: tuple[str, ...]
    header_line: int
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]


def read_text(path: Path) -> str:
    """Text of a UTF-8 file; `InputError` for a missing, empty, binary or otherwise coded one."""
    try:
        raw = read_input(path, LARGEST_FILE, "a CSV file of at most 50 MB")
    except InputError as error:
        names = [] if path.exists() else [p.name for p in path.parent.glob("*.csv")]
        near = _near(path.name, names)
        error.expected = near or error.expected
        raise
    if not raw.strip():
        raise InputError(f"the file is empty ({len(raw)} bytes)", "a CSV file", file=str(path))
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("text coded as UTF-16", "save it as UTF-8", file=str(path), line=1)
    if b"\0" in raw:
        raise InputError("not a text file (it holds zero bytes)", "a CSV file", file=str(path))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{raw[error.start]:02x} is not UTF-8"
        raise InputError(found, "save the file as UTF-8", file=str(path), line=line) from None


def read_table(path: Path) -> Table:
    """Header and rows of a CSV file with commas or semicolons; lines starting with # are skipped.

    Raises `InputError` for files that are no text, have no data rows, or have ragged rows.
    """
    lines = read_text(path).splitlines()
    kept = [(i, s) for i, s in enumerate(lines, 1) if s.strip() and not s.lstrip().startswith("#")]
    if not kept:
        raise InputError("only comments and empty lines", "a header line", file=str(path))
    header_line, head = kept[0]
    mark = ";" if ";" in head else ","
    header = _checked_cells(head, mark, str(path), header_line)
    rows, numbers = [], []
    for line, text in kept[1:]:
        cells = _checked_cells(text, mark, str(path), line)
        if len(cells) != len(header):
            raise InputError(
                f"ragged row: {len(cells)} cells",
                f"{len(header)} cells as in the header of line {header_line}",
                file=str(path),
                line=line,
            )
        rows.append(cells)
        numbers.append(line)
    if not rows:
        raise InputError(
            "the list is empty: a header and no rows", "measured rows", file=str(path),
            line=header_line,
        )
    return Table(str(path), header, header_line, tuple(rows), tuple(numbers))


def column_of(table: Table, name: str) -> int:
    """Index of the column ``name``; `InputError` if it is missing (a similar name is suggested) or
    occurs twice."""
    found = [i for i, cell in enumerate(table.header) if cell == name]
    if len(found) == 1:
        return found[0]
    file, line = table.file, table.header_line
    if found:
        raise InputError(f"column stands {len(found)} times", "one such column", file, line, name)
    near = _near(name, table.header)
    listed = ", ".join(cell[:40] or "(no name)" for cell in table.header[:8])
    expected = near or f"a header with {name}"
    raise InputError(f"column missing; the header has {listed}", expected, file, line, name)


def number(cell: str, file: str, line: int, column: str) -> float:
    """The finite number a cell holds; `InputError` naming file, line and column otherwise."""
    if NUMBER.fullmatch(cell):
        value = float(cell)
        if abs(value) <= FARTHEST_MM:
            return value
        raise InputError(f"found {shortened(cell)}", f"a number within {FARTHEST_MM:g} mm of zero",
                         file, line, column)
    if not cell:
        raise InputError("empty cell", "a number in mm", file, line, column)
    if cell.lower().lstrip("+-") in ("nan", "inf", "infinity", "n/a", "na", "1.#inf", "1.#qnan"):
        raise InputError(f"found {cell}", "a finite number in mm", file, line, column)
    if DECIMAL_COMMA.fullmatch(cell):
        raise InputError(f"found {cell}", "a decimal point, not a comma", file, line, column)
    raise InputError(f"found {shortened(cell)!r}", "a number in mm", file, line, column)


def shortened(cell: str) -> str:
    """A cell as it is quoted in a message."""
    return cell if len(cell) <= 40 else cell[:37] + "..."


def _cells(text: str, mark: str) -> tuple[str, ...]:
    row = next(csv.reader([text], delimiter=mark))
    return tuple(cell.strip() for cell in row)


def _checked_cells(text: str, mark: str, file: str, line: int) -> tuple[str, ...]:
    """Cells of a line; `InputError` for a line that is too long or no CSV."""
    if len(text) > LONGEST_LINE:
        raise InputError(f"a line of {len(text)} letters", f"at most {LONGEST_LINE}", file, line)
    try:
        return _cells(text, mark)
    except (csv.Error, StopIteration) as error:
        raise InputError(f"cannot be read as cells ({error})", "a line of a CSV file", file,
                         line) from None


def _near(name: str, known: Sequence[str]) -> str:
    match = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"did you mean {match[0]}?" if match else ""
