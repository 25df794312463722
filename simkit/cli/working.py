"""What verbs share: words on the terminal, where results go, what may be removed, cautions."""

from __future__ import annotations

import hashlib
import math
import os
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

import simkit
from simkit import aside
from simkit.case import Case, set_words
from simkit.cli.lines import say, stream
from simkit.errors import InputError
from simkit.exit_codes import NOT_CONVERGED, NOT_MATCHED, NOT_MET
from simkit.files import Damaged, read_plain
from simkit.folders import Busy, is_marked, mark, remove_own
from simkit.tool.cautions import cautions_for
from simkit.underway import beat
from simkit.words import visible

EXIT_NOT_FLAT, EXIT_NOT_CONVERGED, EXIT_NO_MATCH = NOT_MET, NOT_CONVERGED, NOT_MATCHED
ACCEPT = ("Work on the reconstructed panel although it does not hold what was measured; tables "
          "then say matched = no, and nothing is called flat.")


class Finite(click.FloatRange):
    """A number of the command line within a range; not a number is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number; a usage error for NaN, which every comparison with a range lets through."""
        found = super().convert(value, param, ctx)
        if not math.isfinite(found):
            self.fail(f"{value!r} is no number to compute with.", param, ctx)
        return found


def spared(out: Path, ending: str, start: bytes, word: bytes = b"simkit") -> Path:
    """A file to write, with its ending added where it has none; one that is there must be ours.

    ``start``, ``word`` : how a file of ours begins, and what stands in it.

    Raises
    ------
    InputError : no name for such a file, a folder, or a file that simkit did not write.
    """
    if out.name in ("", "..") or out.suffix not in ("", ending) or out.is_dir():
        raise InputError("is no name for the file", f"a file name that ends in {ending}", str(out))
    path = out.with_suffix(ending)
    if os.path.lexists(path):
        try:
            data = read_plain(path, LARGEST_OWN)
        except (OSError, Damaged):
            data = b""
        if not data.lstrip().startswith(start) or word not in data:
            raise InputError("is there and was not written by simkit", "another name for --out",
                             str(path))
    return path


LARGEST_OWN = 200_000_000
"""Bytes of the largest report or sheet that is looked at."""
LONGEST_TAIL = 48
"""Letters of a folder's name that say which keys were set."""


def table_width() -> int | None:
    """Letters of a line of the terminal, at least 60; None where nobody looks at a terminal."""
    place = stream()
    if place is None or not place.isatty():
        return None
    return max(60, shutil.get_terminal_size((80, 24)).columns)


def short_name(case: Case) -> str:
    """Name of a case for folders and tables: that of its folder, or of a file named otherwise."""
    return case.folder.resolve().name if case.file.name == "case.yaml" else case.file.stem


def out_folder(case: Case, name: str) -> Path:
    """Default folder of a run or comparison; keys set beside the file are part of its name."""
    return Path("runs") / f"{short_name(case)}-{name}{set_tail(case.settings)}"


def set_tail(settings: Mapping[str, Any]) -> str:
    """Keys that were set, as the end of a folder's name; a digest where they are long."""
    said = "".join(f"-{key.rpartition('.')[2]}-{value}" for key, value in settings.items())
    tail = re.sub(r"[^A-Za-z0-9_.-]+", "_", said)
    if len(tail) <= LONGEST_TAIL:
        return tail
    return "-set-" + hashlib.sha256(said.encode()).hexdigest()[:8]


def clear(folder: Path, fresh: bool, case: Case | None = None) -> None:
    """Remove what simkit wrote in an earlier run if asked to, and nothing else.

    Raises
    ------
    InputError : the folder is none of ours, a link, or the case's own.
    """
    try:
        if case is not None and folder.exists() and os.path.samefile(folder, case.folder):
            raise InputError("this is the folder of the case", "another folder for --out",
                             str(folder))
        if not fresh or not os.path.lexists(folder):
            return
        if folder.is_symlink():
            raise InputError("--fresh does not follow links", "the folder itself for --out",
                             str(folder))
        if not is_marked(folder):
            raise InputError("--fresh would delete a folder that holds no run of simkit",
                             "another folder for --out", str(folder))
        left = remove_own(mark(folder))
    except Busy as error:
        raise InputError("another simkit works in this folder", "wait until it has ended",
                         str(folder)) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no name for a folder"
        raise InputError(f"cannot be cleared: {reason}", "a folder that can be written",
                         str(folder)) from error
    if left:
        say(f"not simkit's own, left where it is: {', '.join(left[:8])}")


def hello(case: Case) -> None:
    """First words: the case, where its data come from, and that kernels compile once."""
    say(visible(f"{case.title}. {case.about}"))
    if case.settings:
        say(visible(f"set: {set_words(case)}"))
    for note in aside.kernels_said:
        say(note)
    aside.kernels_said.clear()
    if not _compiled():
        say("First run here: the kernels are compiled once, about a minute; later runs start at "
            "once.")
        beat("compiling the kernels")


def _compiled() -> bool:
    """Whether the factorisation, which every run needs, is in the cache; which assembly is used
    hangs on the processor."""
    places = [Path(str(simkit.__file__)).parent / "solve" / "linear" / "__pycache__"]
    if os.environ.get("NUMBA_CACHE_DIR"):
        places.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    return any(next(place.rglob("kernels.factor_stages*.nbi"), None) for place in places
               if place.is_dir())


def no_match(case: Case) -> None:
    """What can be done about a depth field that was not matched."""
    say("The panel found is not the one that was measured, so nothing was done to it. Check "
        "depths, units and how the edges are held; give what is known of the blow under "
        f"'history'; raise history.rounds (now {case.history.rounds}); or --accept-mismatch.")


def cautions() -> None:
    """The usual cautions."""
    say("")
    say("Before anyone works on a real panel:")
    for caution in cautions_for():
        say(f"  - {caution.text}")
