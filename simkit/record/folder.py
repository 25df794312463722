"""Preparing a marked, new or empty folder for results; foreign files are never changed."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from simkit.errors import InputError
from simkit.files import LARGEST_RECORD, Damaged, is_older_than_mark, read_plain
from simkit.folders import (
    MARK,
    PATIENCE_S,
    Busy,
    announce,
    digests_of,
    is_as_written,
    is_marked,
    mark,
    remove_parts,
)


def take_folder(folder: Path, names: Sequence[str] = ()) -> None:
    """Make and mark a folder for files; it may hold other files, too.

    Raises
    ------
    InputError : one of the files exists and was not written by simkit or was changed since; or the
        folder cannot be made.
    """
    listed = digests_of(folder) or {}
    for name in names:
        place = folder / name
        if not os.path.lexists(place):
            continue
        try:
            own = is_as_written(listed, name, read_plain(place, LARGEST_RECORD))
        except (OSError, Damaged):
            own = False
        if not own:
            raise InputError("would be overwritten, but is not as simkit wrote it",
                             "another folder for --out", str(place))
    mine(folder, beside=True)


def mine(folder: Path, beside: bool = False, patience_s: float = PATIENCE_S) -> bool:
    """Make a folder and mark it as ours; returns whether it was marked before.

    ``beside``: it may hold other files. ``patience_s``: how long to wait for another simkit that
    works in it.

    Raises
    ------
    InputError : it holds files that are not ours, another simkit works in it, or it cannot be made
        or written; folders made in the attempt are removed again.
    """
    made: list[Path] = []
    try:
        # mkdir would fail with a misleading message.
        if folder.is_symlink() and not folder.exists():
            raise InputError("is a link to a folder that does not exist", "a folder", str(folder))
        ours = is_marked(folder)
        if folder.exists() and not beside and (is_older_than_mark(folder, "any") if ours else any(
                p for p in folder.iterdir() if not p.name.startswith("."))):
            raise InputError("this folder holds something else", "an empty or new folder",
                             str(folder))
        # Note which folders are made here, so that a failure removes these and no others.
        for place in reversed((folder, *folder.parents)):
            if not place.exists():
                place.mkdir(exist_ok=True)
                made.append(place)
        # First in the list of an outer folder, so that --fresh of that one finds this folder.
        announce(folder)
        remove_parts(mark(folder, patience_s))
        return ours
    except Busy as error:
        raise InputError("another simkit works in this folder",
                         "wait until it has ended, or another folder for --out",
                         str(folder)) from error
    except (OSError, ValueError) as error:
        for place in reversed(made):
            with contextlib.suppress(OSError):
                (place / MARK).unlink(missing_ok=True)
                place.rmdir()
        reason = getattr(error, "strerror", None) or "no name for a folder"
        raise InputError(f"cannot write here: {reason}", "a folder that can be written",
                         str(folder)) from error
