"""Folders of simkit: a mark, a list of the files that were written, and one owner at a time.

The file ``.simkit`` in a folder is both the mark and the list. Its first line names the format.
Every further line has the SHA-256 of a file's contents and its path; it is added *before* the file
is moved to its place. The contents of the last two lines of a path are valid, because a kill may
fall between line and file. ``folder PATH`` names a marked folder inside. The list detects damage
and mixed files, but not a change by somebody who also rewrites the list.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import stat
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

try:
    import fcntl
except ImportError:  # not on Windows
    fcntl = None  # type: ignore[assignment]

MARK = ".simkit"
HEAD = "simkit folder 1\n"
LINE = re.compile(r"([0-9a-f]{64}|folder)  (\S.*)")
LARGEST_MARK = 50_000_000
PATIENCE_S = 5.0
"""Time that a worker whose parent was killed may need to end and to release its folder."""


class Busy(OSError):
    """Another process works in the folder."""


class Changed(OSError):
    """A folder was removed, replaced or linked elsewhere while simkit worked in it."""


@dataclass
class Marked:
    """A marked folder that this process owns.

    Attributes
    ----------
    folder : its real path; name : the path by which it was taken; number : device and inode, its
        identity. handle : the open and locked mark.
    listed : path -> digests in order, the last two are valid; inner : marked folders inside.
    """

    folder: Path
    name: Path
    number: tuple[int, int]
    handle: int
    listed: dict[str, list[str]] = field(default_factory=dict)
    inner: list[str] = field(default_factory=list)

    def check(self) -> None:
        """Raise `Changed` when the folder is no longer the one that was marked."""
        try:
            here, mark = os.stat(self.folder), os.lstat(self.folder / MARK)
            same = (here.st_dev, here.st_ino) == self.number and stat.S_ISREG(mark.st_mode)
        except OSError:
            same = False
        if not same:
            raise Changed(errno.ENOENT, "the folder was removed or replaced while simkit worked "
                          "in it", str(self.folder))

    def note(self, path: str, digest: str) -> None:
        """Note the digest of a file before it is written."""
        if self.listed.get(path, [""])[-1] == digest:
            return
        self.listed.setdefault(path, []).append(digest)
        self._add(f"{digest}  {path}\n")

    def note_folder(self, path: str) -> None:
        """Note a marked folder inside before it is made."""
        if path not in self.inner:
            self.inner.append(path)
            self._add(f"folder  {path}\n")

    def _add(self, line: str) -> None:
        _write_all(self.handle, line.encode())
        os.fsync(self.handle)

    def forget(self) -> None:
        """Empty the list after all its files were removed."""
        self.listed.clear()
        self.inner.clear()
        os.ftruncate(self.handle, 0)
        self._add(HEAD)


_marked: dict[tuple[int, int], Marked] = {}


def is_marked(folder: Path) -> bool:
    """Whether the folder has our mark: a plain file with our first line, or a part of this line
    (also none of it) if a kill fell before its end."""
    try:
        if not stat.S_ISREG(os.lstat(folder / MARK).st_mode):
            return False
        with open(folder / MARK, "rb") as file:
            return HEAD.encode().startswith(file.read(len(HEAD)))
    except (OSError, ValueError):
        return False


def mark(folder: Path, patience_s: float = PATIENCE_S) -> Marked:
    """Mark an existing folder, or take a marked one, for this process alone.

    ``patience_s``: time to wait for another process that owns it.

    Raises
    ------
    Busy : another process owns it. OSError : it is not writable, or its mark is no plain file.
    """
    here = os.stat(folder)
    number = (here.st_dev, here.st_ino)
    if number in _marked:
        if is_marked(folder):
            return _marked[number]
        release(_marked[number])
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0)
    handle = os.open(folder / MARK, flags | getattr(os, "O_NONBLOCK", 0), 0o644)
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "the mark of simkit is no plain file", str(folder / MARK))
        _lock(handle, folder, patience_s)
        found = Marked(folder.resolve(), Path(os.path.abspath(folder)), number, handle)
        text = _text(handle)
        _parse(text, found.listed, found.inner)
        if not text:
            found._add(HEAD)
        elif not text.endswith("\n"):
            found._add("\n")
    except BaseException:
        os.close(handle)
        raise
    _marked[number] = found
    return found


def release(one: Marked | None = None) -> None:
    """Release a folder, or all folders of this process."""
    for number, held in list(_marked.items()):
        if one is None or held is one:
            del _marked[number]
            with contextlib.suppress(OSError):
                os.close(held.handle)


def release_below(folder: Path) -> None:
    """Release a folder and the marked ones inside it."""
    whole = folder.resolve()
    for held in list(_marked.values()):
        if whole == held.folder or whole in held.folder.parents:
            release(held)


def check_all(path: Path) -> None:
    """Raise `Changed` if a folder owned by this process that contains the path was removed."""
    whole = Path(os.path.abspath(path))
    for held in _marked.values():
        if held.name in whole.parents or held.folder in whole.parents:
            held.check()


def home_of(path: Path) -> tuple[Path, str] | None:
    """The marked folder that a path lies in, the innermost, and the path inside it."""
    whole = Path(os.path.abspath(path))
    for folder in whole.parents:
        if is_marked(folder):
            return folder, whole.relative_to(folder).as_posix()
    return None


def digests_of(folder: Path) -> dict[str, list[str]] | None:
    """The list of a marked folder, read without taking it; None for a folder without a mark."""
    return _read(folder)[0] if is_marked(folder) else None


def _read(folder: Path) -> tuple[dict[str, list[str]], list[str]]:
    """Digests and inner folders that a mark lists; empty where it cannot be read."""
    listed: dict[str, list[str]] = {}
    inner: list[str] = []
    with contextlib.suppress(OSError):
        handle = os.open(folder / MARK, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
        try:
            _parse(_text(handle), listed, inner)
        finally:
            os.close(handle)
    return listed, inner


def announce(folder: Path) -> None:
    """Note this folder in the list of the marked folder that contains it, if there is one.

    Nothing is done if it is noted already, because another process may own the outer folder.
    """
    home = home_of(folder)
    if home is None:
        return
    here = os.stat(home[0])
    if (here.st_dev, here.st_ino) in _marked or home[1] not in _read(home[0])[1]:
        mark(home[0]).note_folder(home[1])


def digest(data: bytes) -> str:
    """SHA-256 of contents."""
    return hashlib.sha256(data).hexdigest()


def is_as_written(listed: dict[str, list[str]], path: str, data: bytes) -> bool:
    """Whether contents have one of the last two digests of a path."""
    return digest(data) in listed.get(path, [])[-2:]


def leads_outside(folder: Path, path: str) -> bool:
    """Whether a path inside a folder goes through a link."""
    place = folder
    for part in Path(path).parts:
        place = place / part
        if part == ".." or place.is_symlink():
            return True
    return False


def remove_own(one: Marked) -> list[str]:
    """Remove the listed files only, without following links; returns the names that remain.

    Marked folders inside are cleared the same way. The folder and its mark stay.
    """
    parents: set[Path] = set()
    for path in one.inner:
        place = one.folder / path
        if leads_outside(one.folder, path) or not is_marked(place):
            continue
        inside = mark(place)
        left = remove_own(inside)
        release(inside)
        parents.add(place)
        if not left:
            os.unlink(place / MARK)
    for path in one.listed:
        place = one.folder / path
        if leads_outside(one.folder, path) or not place.is_file():
            continue
        os.unlink(place)
        parents.update(folder for folder in place.parents if one.folder in folder.parents)
    remove_parts(one)
    for folder in sorted(parents, key=lambda f: -len(f.parts)):
        with contextlib.suppress(OSError):
            os.rmdir(folder)
    one.forget()
    return sorted(name for name in os.listdir(one.folder) if name != MARK)


def remove_parts(one: Marked) -> None:
    """Remove temporary files that a killed process left beside listed files."""
    for path in one.listed:
        place = one.folder / path
        for part in [] if leads_outside(one.folder, path) else _parts(place):
            with contextlib.suppress(OSError):
                os.unlink(part)


def part_of(place: Path) -> Path:
    """The temporary file in which the next contents of a file are written."""
    return place.with_name(f".{place.name}.{os.getpid()}.part")


def _parts(place: Path) -> Iterable[Path]:
    form = re.compile(re.escape(f".{place.name}.") + r"\d+\.part")
    names = os.listdir(place.parent) if place.parent.is_dir() else []
    return [place.parent / name for name in names if form.fullmatch(name)]


def _parse(text: str, listed: dict[str, list[str]], inner: list[str]) -> None:
    for line in text.splitlines(keepends=True):
        found = LINE.fullmatch(line.rstrip("\n"))
        if found is None or not line.endswith("\n"):  # the head, or a line that a kill cut short
            continue
        word, path = found.groups()
        if os.path.isabs(path) or ".." in Path(path).parts:
            continue
        if word == "folder":
            inner.append(path)
        else:
            listed.setdefault(path, []).append(word)


def _text(handle: int) -> str:
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode) or found.st_size > LARGEST_MARK:
        return ""
    os.lseek(handle, 0, os.SEEK_SET)
    data = b""
    while chunk := os.read(handle, 1 << 20):
        data += chunk
        if len(data) > LARGEST_MARK:
            break
    return data.decode("utf-8", "replace")


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data):]


def _lock(handle: int, folder: Path, patience_s: float) -> None:
    """Lock the mark; wait up to ``patience_s``, because a worker may still be ending."""
    if fcntl is None:
        return
    until = time.monotonic() + patience_s
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except OSError as error:
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                return  # a file system without locks
        if time.monotonic() > until:
            raise Busy(errno.EBUSY, "another simkit works in this folder", str(folder))
        time.sleep(0.05)
