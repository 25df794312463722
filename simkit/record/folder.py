"""Taking a folder for results: ours, new, or empty; nothing in it that is not ours is touched."""

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
    """Make or mark a folder for files beside what may lie there already.

    Raises
    ------
    InputError : one of the files is there and is not, or no longer, as simkit wrote it; or the
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
            raise InputError("would be overwritten, and is not as simkit wrote it",
                             "another folder for --out", str(place))
    mine(folder, beside=True)


def mine(folder: Path, beside: bool = False, patience_s: float = PATIENCE_S) -> bool:
    """Make a folder and mark it as ours; whether it was ours already.

    ``beside``: it may hold other things. ``patience_s``: how long another simkit may have it.

    Raises
    ------
    InputError : it holds something that is not ours, another simkit works in it, or it cannot be
        made or written; what was made on the way is removed again.
    """
    made: list[Path] = []
    try:
        if folder.is_symlink() and not folder.exists():
            raise InputError("is a link that leads nowhere", "a folder", str(folder))
        ours = is_marked(folder)
        if folder.exists() and not beside and (is_older_than_mark(folder, "any") if ours else any(
                p for p in folder.iterdir() if not p.name.startswith("."))):
            raise InputError("this folder holds something else", "an empty or new folder",
                             str(folder))
        for place in reversed((folder, *folder.parents)):
            if not place.exists():
                place.mkdir(exist_ok=True)
                made.append(place)
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
