"""Point clouds: XYZ and CSV text, NPY arrays."""

from __future__ import annotations

import re
from pathlib import Path
from tokenize import TokenError

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError
from simkit.scan.headers import AGAIN, MOST_POINTS, check_last_line, whole_number

Array = NDArray[np.float64]
LETTERS = re.compile(rb"[A-Za-z_]")
NUMBER = re.compile(rb"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|[-+]?(nan|inf)", re.IGNORECASE)


def read_text_points(path: Path) -> tuple[Array, Array | None]:
    """Points (n, 3) and normals (n, 3), if there are six columns or columns nx, ny, nz.

    Numbers are separated by blanks, commas, semicolons or tabs; # begins a comment. A first line
    with words names the columns (x, y, z or x_mm, y_mm, z_mm). A first line with one integer is
    the number of points.
    """
    raw = path.read_bytes()
    if b"\0" in raw[:4096]:
        raise InputError("holds zero bytes", "a text file of points", file=str(path))
    check_last_line(path)
    lines = raw.splitlines()
    first = next((i for i, line in enumerate(lines) if line.strip() and not _comment(line)), None)
    if first is None:
        raise InputError("no points in the file", "lines of x y z", file=str(path))
    mark = _mark(lines[first])
    names: list[str] = []
    promised = None
    if LETTERS.search(NUMBER.sub(b"", lines[first])):
        names = [cell.strip().strip('"').lower() for cell in
                 lines[first].decode("utf-8", "replace").split(mark)]
        first += 1
    elif re.fullmatch(rb"\s*\d+\s*", lines[first]):
        promised = whole_number(lines[first].strip())
        first += 1
        mark = _mark(lines[first]) if first < len(lines) else mark
    try:
        table = np.loadtxt(lines[first:], delimiter=mark, comments="#", ndmin=2, dtype=float)
    except (ValueError, UnicodeDecodeError):
        raise _bad_line(lines, first, mark, path) from None
    if promised is not None and promised != len(table):
        raise InputError(f"the first line states {promised} points, the file holds {len(table)}",
                         AGAIN, file=str(path), line=1)
    return _columns(table, names, path)


def _columns(table: Array, names: list[str], path: Path) -> tuple[Array, Array | None]:
    if table.size == 0 or table.shape[1] < 3:
        found = table.shape[1] if table.size else 0
        raise InputError(f"{found} numbers a line", "three or more: x y z", file=str(path))
    if not names:
        return table[:, :3], table[:, 3:6] if table.shape[1] == 6 else None
    plain = [name.removesuffix("_mm") for name in names]
    for name in ("x", "y", "z"):
        if plain.count(name) != 1:
            raise InputError(f"no column {name}; the header has {', '.join(names)[:80]}",
                             "columns x, y, z", file=str(path), key=name)
    points = table[:, [plain.index(name) for name in ("x", "y", "z")]]
    if all(plain.count(name) == 1 for name in ("nx", "ny", "nz")):
        return points, table[:, [plain.index(name) for name in ("nx", "ny", "nz")]]
    return points, None


def _comment(line: bytes) -> bool:
    return line.lstrip().startswith((b"#", b"//"))


def _mark(line: bytes) -> str | None:
    """The separator of the numbers: a semicolon, a comma, or blanks (None)."""
    return ";" if b";" in line else "," if b"," in line else None


def _bad_line(lines: list[bytes], first: int, mark: str | None, path: Path) -> InputError:
    """The error for the first line that cannot be read."""
    wanted = None
    separator = mark.encode() if mark else None
    for at, line in enumerate(lines[first:], first + 1):
        text = line.split(b"#")[0]
        if not text.strip():
            continue
        cells = [cell.strip() for cell in text.split(separator)]
        wanted = wanted or len(cells)
        if len(cells) != wanted:
            return InputError(f"{len(cells)} numbers, {wanted} in the lines before",
                              f"{wanted} numbers in every line (truncated file?)", file=str(path),
                              line=at)
        for cell in cells:
            if not NUMBER.fullmatch(cell):
                shown = cell.decode("utf-8", "replace")[:40]
                return InputError(f"found {shown!r}", "a number", file=str(path), line=at)
    return InputError("cannot be read as a table of points", "lines of x y z", file=str(path))


def read_numpy(path: Path) -> tuple[Array, Array | None]:
    """Points (n, 3), and normals if there are six columns, of an array saved by numpy."""
    try:
        with path.open("rb") as stream:
            version = np.lib.format.read_magic(stream)
            reader = (np.lib.format.read_array_header_1_0 if version == (1, 0)
                      else np.lib.format.read_array_header_2_0)
            shape, _, kind = reader(stream)
            start = stream.tell()
    except (ValueError, EOFError, OSError, SyntaxError, TokenError, RecursionError, TypeError):
        raise InputError("no NPY header: truncated or damaged", AGAIN, file=str(path)) from None
    if kind.kind not in "fiu" or len(shape) != 2 or shape[1] < 3:
        raise InputError(f"an array of shape {shape} of {kind}", "numbers of shape (n, 3)",
                         file=str(path))
    count, least = int(shape[0]), start + int(np.prod(shape, dtype=object)) * kind.itemsize
    size = path.stat().st_size
    if size < least:
        raise InputError(f"the header states {count} points, {least} bytes; the file has {size}: "
                         "truncated or damaged", AGAIN, file=str(path))
    if count > MOST_POINTS:
        raise InputError(f"{count} points", f"at most {MOST_POINTS}: thin the scan out",
                         file=str(path))
    try:
        table = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, OSError) as error:
        raise InputError(f"cannot be read ({error!s:.80})", AGAIN, file=str(path)) from None
    points = np.array(table[:, :3], dtype=float)
    return points, np.array(table[:, 3:6], dtype=float) if shape[1] == 6 else None
