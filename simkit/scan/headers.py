"""Checks of mesh files before they are read: the header against the size of the file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from simkit.errors import InputError

MOST_BYTES = 2 * 2**30
MOST_POINTS, MOST_TEXT_BYTES = 20_000_000, 500_000_000
PLY_BYTES = {
    "char": 1, "uchar": 1, "int8": 1, "uint8": 1, "short": 2, "ushort": 2, "int16": 2,
    "uint16": 2, "int": 4, "uint": 4, "int32": 4, "uint32": 4, "float": 4, "float32": 4,
    "double": 8, "float64": 8,
}
AGAIN = "a whole file; export the scan again"


def check_size(path: Path) -> None:
    """Raise `InputError` for a file that is missing, empty or too large."""
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise InputError("is a pipe or device", "a scan file", file=str(path))
        size = path.stat().st_size
    except (FileNotFoundError, ValueError):
        raise InputError("no such file", "a scan", file=str(path)) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", "a scan", file=str(path)) from None
    if path.is_dir():
        raise InputError("is a folder", "a scan file", file=str(path))
    if size == 0:
        raise InputError("the file is empty (0 bytes)", AGAIN, file=str(path))
    if path.suffix.lower() in (".xyz", ".csv", ".txt", ".asc") and size > MOST_TEXT_BYTES:
        raise InputError(f"{size / 1e9:.1f} GB of text", "at most 0.5 GB: thin the scan out, or "
                         "export it as PLY or NPY", file=str(path))
    if size > MOST_BYTES:
        raise InputError(f"{size / 1e9:.1f} GB long", "at most 2 GiB: thin the scan out",
                         file=str(path))


def check_stl(path: Path) -> None:
    """A binary STL is 84 bytes and 50 for each triangle; a text one ends with endsolid."""
    size = path.stat().st_size
    head = _head(path, 1024)
    if head[:5].lower() == b"solid" and b"\0" not in head and b"facet" in head.lower():
        if b"endsolid" not in _tail(path, 512).lower():
            raise InputError("text STL without its end (endsolid): truncated", AGAIN,
                             file=str(path))
        return
    if size < 84:
        raise InputError(f"{size} bytes are no STL", AGAIN, file=str(path))
    count = int(np.frombuffer(head[80:84], "<u4")[0])
    _check_count(count, "triangles", path)
    if size < 84 + 50 * count:
        raise _promise(f"{count} triangles", 84 + 50 * count, size, path)
    if count == 0:
        raise InputError("the header states 0 triangles", AGAIN, file=str(path))


def check_ply(path: Path) -> None:
    """Size of all elements by the header, with at least three corners for each face."""
    head = _head(path, 65536)
    if not head.startswith(b"ply"):
        raise InputError("does not begin with 'ply'", "a PLY file", file=str(path), line=1)
    end = re.search(rb"end_header\r?\n", head)
    if end is None:
        raise InputError("PLY without end_header: truncated or damaged", AGAIN, file=str(path))
    lines = head[: end.start()].decode("ascii", "replace").splitlines()
    text, elements = _ply_elements(lines, path)
    count = sum(number for number, _ in elements)
    rest = path.stat().st_size - end.end()
    if text:
        # the last line may have no line end
        found = path.read_bytes()[end.end():].strip().count(b"\n") + 1 if rest else 0
        if found < count:
            raise InputError(f"the header states {count} lines, the file holds {found}: "
                             "truncated", AGAIN, file=str(path))
        return
    least = sum(number * size for number, size in elements)
    if rest < least:
        raise _promise(f"{count} points and faces", end.end() + least, path.stat().st_size, path)


def _ply_elements(lines: list[str], path: Path) -> tuple[bool, list[tuple[int, int]]]:
    """Whether it is text, and for each element its number and smallest size in bytes."""
    text, elements = False, []
    for at, line in enumerate(lines, 1):
        words = line.split()
        if not words or words[0] in ("ply", "comment", "obj_info"):
            continue
        try:
            if words[0] == "format":
                text = words[1] == "ascii"
            elif words[0] == "element":
                _check_count(whole_number(words[2]), words[1][:40], path, at)
                elements.append((whole_number(words[2]), 0))
            elif words[0] == "property":
                number, size = elements[-1]
                if words[1] == "list":
                    more = PLY_BYTES[words[2]] + 3 * PLY_BYTES[words[3]]
                else:
                    more = PLY_BYTES[words[1]]
                elements[-1] = (number, size + more)
        except (IndexError, ValueError, KeyError):
            raise InputError(f"{line[:60]!r} in the header", "a PLY header", file=str(path),
                             line=at) from None
    if not elements:
        raise InputError("the header names no points", "a PLY with vertices", file=str(path))
    return text, elements


def check_vtu(path: Path) -> None:
    """An XML file of an unstructured grid that ends with its closing tag."""
    head = _head(path, 8192)
    if b"<VTKFile" not in head:
        raise InputError("no VTKFile tag at its beginning", "a VTU file (XML)", file=str(path))
    if b"UnstructuredGrid" not in head:
        raise InputError("not an unstructured grid", "a VTU file", file=str(path))
    if b"</VTKFile>" not in _tail(path, 4096):
        raise InputError("VTU without its end (</VTKFile>): truncated", AGAIN, file=str(path))
    for name in (b"NumberOfPoints", b"NumberOfCells"):
        said = re.search(name + rb'="(\d+)"', head)
        if said is not None:
            count = whole_number(said.group(1))
            _check_count(count, name.decode()[8:].lower(), path)
            # deflate compresses by a factor of at most 1032, the limit of its format
            if 12 * count > 1000 * path.stat().st_size:
                raise _promise(f"{count} {name.decode()[8:].lower()}", 12 * count // 1000,
                               path.stat().st_size, path)


def check_obj(path: Path) -> None:
    """A text file with lines 'v x y z'."""
    head = _head(path, 65536)
    if b"\0" in head:
        raise InputError("holds zero bytes", "an OBJ file (text)", file=str(path))
    check_last_line(path)
    if not re.search(rb"^v\s+[-+.\d]", head, re.MULTILINE):
        raise InputError("no line 'v x y z' at its beginning", "an OBJ file", file=str(path))


def check_last_line(path: Path) -> None:
    """Raise `InputError` for a text file that ends in the middle of a line."""
    if not _tail(path, 1).endswith((b"\n", b"\r")):
        raise InputError("the last line has no end: truncated",
                         "a whole file; export the scan again, or end its last line",
                         file=str(path))


CHECKS: dict[str, Callable[[Path], None]] = {
    ".stl": check_stl, ".ply": check_ply, ".vtu": check_vtu, ".obj": check_obj,
}
"""Check of a file before a library reads it, by suffix."""


def whole_number(text: str | bytes) -> int:
    """An integer from text; 1e15 for one with 16 or more digits, which no valid file has."""
    return int(text) if len(text) < 16 else 10**15


def _check_count(count: int, sort: str, path: Path, line: int | None = None) -> None:
    if not 0 <= count <= 2 * MOST_POINTS:
        raise InputError(f"the header states {count} {sort}",
                         f"0 to {2 * MOST_POINTS}; a damaged header, or thin the scan out",
                         file=str(path), line=line)


def _promise(what: str, least: int, size: int, path: Path) -> InputError:
    """The error for a file that is shorter than its header says."""
    return InputError(f"the header states {what}, at least {least} bytes; the file has {size}: "
                      "truncated or damaged", AGAIN, file=str(path))


def _head(path: Path, count: int) -> bytes:
    with path.open("rb") as stream:
        return stream.read(count)


def _tail(path: Path, count: int) -> bytes:
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - count))
        return stream.read()
