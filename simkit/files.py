"""Files written completely or not at all, and read back only if they are unchanged.

The digest of every file written below a marked folder is noted in the list of that folder (see
`simkit.folders`); every file read there is compared with it.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import json
import os
import stat
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np

from simkit.folders import (
    Changed,
    check_all,
    digest,
    digests_of,
    home_of,
    is_as_written,
    leads_outside,
    mark,
    part_of,
)

LARGEST_RECORD = 400_000_000
"""Bytes of the largest file that is read back: the state of a panel of some 100,000 elements."""

LONGEST_TEXT = 4 * 1000
"""Bytes of the longest text in an array."""


DESCRIPTIONS = ("run.json", "compare.json", "compare.csv", "study.json")
"""Files by which a run, a comparison or a study is recognised."""


class Damaged(Exception):
    """A stored file that cannot be used; the text is the reason, ``line`` the place if known."""

    def __init__(self, why: str, line: int | None = None) -> None:
        super().__init__(why)
        self.line = line


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file completely or not at all, even if the process is killed.

    Raises
    ------
    OSError : disk full, folder removed meanwhile or not writable; no incomplete file is left.
    """
    check_all(path)
    home = home_of(path)
    if home is None:
        path.parent.mkdir(parents=True, exist_ok=True)
    else:
        folder, inside = home
        owner = mark(folder)
        owner.check()
        if leads_outside(folder, str(Path(inside).parent)):
            raise Changed(errno.ELOOP, "a link leads out of the folder", str(path))
        path.parent.mkdir(parents=True, exist_ok=True)
        # Noted before the file is moved: after a kill in between, old and new contents are valid.
        owner.note(inside, digest(data))
    beside = part_of(path)
    try:
        with open(beside, "wb") as file:
            file.write(data)
            file.flush()
            # The contents must be on disk before the new name, else a crash leaves an empty file.
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(beside)
        raise OSError(error.errno, error.strerror, str(path)) from error
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(beside)
        raise


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a description."""
    write_atomic(path, (json.dumps(data, indent=2, sort_keys=True) + "\n").encode())


def exact(value: float | None) -> str:
    """A number with enough digits to be read back exactly; empty for None and NaN."""
    return "" if value is None or np.isnan(value) else repr(float(value))


def write_table(path: Path, columns: tuple[str, ...], rows: Sequence[Mapping[str, str]]) -> None:
    """Write a CSV table."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_atomic(path, text.getvalue().encode("utf-8", "backslashreplace"))


def write_arrays(path: Path, arrays: Mapping[str, Any]) -> None:
    """Write arrays as .npz."""
    data = io.BytesIO()
    np.savez(data, **arrays)
    write_atomic(path, data.getvalue())


def read_back(path: Path, most: int = LARGEST_RECORD) -> bytes:
    """Contents of a file that simkit stored.

    Raises
    ------
    FileNotFoundError : it does not exist.
    Damaged : it is no plain file, a link, too large, or differs from the digest in the list.
    """
    home = home_of(path)
    if home is not None and leads_outside(*home):
        raise Damaged("a link, which is not followed")
    data = read_plain(path, most)
    if home is not None:
        listed = digests_of(home[0]) or {}
        if home[1] not in listed:
            if is_older_than_mark(*home):
                return data
            raise Damaged("not written by simkit")
        if not is_as_written(listed, home[1], data):
            raise Damaged("altered or damaged since it was written")
    return data


def is_older_than_mark(folder: Path, inside: str) -> bool:
    """Whether a path of a marked folder belongs to a run that is older than the mark.

    Such a run has no list. It is recognised by a description file (``DESCRIPTIONS``) that is in the
    folder but not in its list.
    """
    listed = digests_of(folder) or {}
    for place in Path(inside).parents:
        name = place.as_posix()
        below = "" if name == "." else f"{name}/"
        if below and any(path.startswith(below) for path in listed):
            continue
        if any(below + one not in listed and (folder / below / one).is_file()
               for one in DESCRIPTIONS):
            return True
    return False


def read_plain(path: Path, most: int) -> bytes:
    """Contents of a plain file of at most ``most`` bytes; never waits for a pipe or device.

    Raises
    ------
    OSError : it does not exist or cannot be read. Damaged : no plain file, or too large.
    """
    try:
        found = os.stat(path)
    except ValueError:
        raise FileNotFoundError(errno.ENOENT, "no such file", str(path)) from None
    if not stat.S_ISREG(found.st_mode):
        raise Damaged("not a plain file")
    if found.st_size > most:
        raise Damaged(f"{found.st_size} bytes long, at most {most} expected")
    with open(path, "rb") as file:
        # One byte more than allowed: the file may have grown since its size was taken.
        data = file.read(most + 1)
    if len(data) > most:
        raise Damaged(f"more than {most} bytes long")
    return data


def load_json(data: bytes) -> Any:
    """Value of a JSON text; `Damaged` if it is not valid or nested too deeply."""
    try:
        return json.loads(data.decode("utf-8"))
    except json.JSONDecodeError as error:
        raise Damaged(f"damaged JSON ({error.msg})", error.lineno) from None
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else "no JSON text"
        raise Damaged(reason) from None


def load_arrays(data: bytes, names: Sequence[str] | None = None) -> dict[str, np.ndarray]:
    """Arrays of an uncompressed .npz without objects; all of them if ``names`` is None.

    Raises
    ------
    Damaged : incomplete, compressed (a small file could expand to any size), of wrong shape, or an
        array is missing.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            wanted = names or [name.removesuffix(".npy") for name in archive.namelist()]
            return {name: _array(archive, f"{name}.npy") for name in wanted}
    except Damaged:
        raise
    except KeyError as error:
        raise Damaged(f"field is missing ({error})") from None
    except (OSError, ValueError, EOFError, zipfile.BadZipFile, NotImplementedError, TypeError,
            MemoryError, AttributeError, RuntimeError, SyntaxError, TokenError) as error:
        raise Damaged("damaged archive of arrays") from error


def _array(archive: zipfile.ZipFile, name: str) -> np.ndarray:
    info = archive.getinfo(name)
    if info.compress_type != zipfile.ZIP_STORED or info.file_size != info.compress_size:
        raise Damaged("packed; simkit stores its arrays unpacked")
    # Not numpy.load: the header is checked before memory for the array is taken.
    stream = io.BytesIO(archive.read(info))
    version = np.lib.format.read_magic(stream)
    reader = (np.lib.format.read_array_header_1_0 if version == (1, 0)
              else np.lib.format.read_array_header_2_0)
    shape, by_columns, kind = reader(stream)
    small = (kind.kind in "biuf" and kind.itemsize <= 8) or kind.kind == "U"
    if not small or kind.itemsize > LONGEST_TEXT or not kind.isnative:
        raise Damaged("holds something else than numbers and words")
    count = 1
    for size in shape:
        count *= int(size)
    rest = stream.getbuffer()[stream.tell():]
    if count * kind.itemsize != len(rest) or any(size < 0 for size in shape):
        raise Damaged("size and shape do not agree")
    flat = np.frombuffer(rest, kind)
    return np.array(flat.reshape(shape, order="F" if by_columns else "C"), order="C")
