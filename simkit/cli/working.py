"""Functions that verbs share: messages, folders of results, removal of old files, cautions."""

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
ACCEPT = ("Repair the reconstructed panel even if it does not match the measured one; tables then "
          "have matched = no, and no result counts as flat.")


class Finite(click.FloatRange):
    """A finite number of the command line within a range."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number; a usage error for NaN, which the comparisons of a range do not reject."""
        found = super().convert(value, param, ctx)
        if not math.isfinite(found):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return found


def spared(out: Path, ending: str, start: bytes, word: bytes = b"simkit") -> Path:
    """Path of a file to write, with its ending added if missing; an existing file must be ours.

    ``start``, ``word`` : first bytes of our files, and a word that they contain.

    Raises
    ------
    InputError : a name with another ending, a folder, or a file that simkit did not write.
    """
    if out.name in ("", "..") or out.suffix not in ("", ending) or out.is_dir():
        raise InputError("cannot be the name of this file", f"a file name that ends in {ending}",
                         str(out))
    path = out.with_suffix(ending)
    if os.path.lexists(path):
        try:
            data = read_plain(path, LARGEST_OWN)
        except (OSError, Damaged):
            data = b""
        if not data.lstrip().startswith(start) or word not in data:
            raise InputError("exists and was not written by simkit", "another name for --out",
                             str(path))
    return path


LARGEST_OWN = 200_000_000
"""Largest size of a report or sheet, bytes, that is read."""
LONGEST_TAIL = 48
"""Longest list of set keys, in characters, in a folder's name."""


def table_width() -> int | None:
    """Characters of a line of the terminal, at least 60; None if the output is not a terminal."""
    place = stream()
    if place is None or not place.isatty():
        return None
    return max(60, shutil.get_terminal_size((80, 24)).columns)


def short_name(case: Case) -> str:
    """Name of a case for folders and tables: that of its folder, or of its file if this is not
    named case.yaml."""
    return case.folder.resolve().name if case.file.name == "case.yaml" else case.file.stem


def out_folder(case: Case, name: str) -> Path:
    """Default folder of a run or comparison; keys set by --set are part of its name."""
    return Path("runs") / f"{short_name(case)}-{name}{set_tail(case.settings)}"


def set_tail(settings: Mapping[str, Any]) -> str:
    """Keys that were set, as the end of a folder's name; a digest if they are long."""
    said = "".join(f"-{key.rpartition('.')[2]}-{value}" for key, value in settings.items())
    tail = re.sub(r"[^A-Za-z0-9_.-]+", "_", said)
    if len(tail) <= LONGEST_TAIL:
        return tail
    return "-set-" + hashlib.sha256(said.encode()).hexdigest()[:8]


def clear(folder: Path, fresh: bool, case: Case | None = None) -> None:
    """With --fresh, remove the files that simkit wrote in an earlier run, and nothing else.

    Raises
    ------
    InputError : the folder is not ours, a link, or the case's own.
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
            raise InputError("--fresh would clear a folder that holds no run of simkit",
                             "another folder for --out", str(folder))
        # mark() takes the folder for this process, so that no other one writes in it meanwhile.
        left = remove_own(mark(folder))
    except Busy as error:
        raise InputError("another simkit works in this folder", "wait until it has ended",
                         str(folder)) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no name for a folder"
        raise InputError(f"cannot be cleared: {reason}", "a folder that can be written",
                         str(folder)) from error
    if left:
        say(f"not written by simkit, therefore kept: {', '.join(left[:8])}")


def hello(case: Case) -> None:
    """First messages: the case, the origin of its data, and a note if kernels must be compiled."""
    say(visible(f"{case.title}. {case.about}"))
    if case.settings:
        say(visible(f"set: {set_words(case)}"))
    for note in aside.kernels_said:
        say(note)
    aside.kernels_said.clear()
    if not _compiled():
        say("First run here: the kernels are compiled, which takes about a minute; later runs "
            "start at once.")
        beat("compiling the kernels")


def _compiled() -> bool:
    """Whether the compiled factorisation, which every run needs, is in the cache. The assembly is
    not checked, since its kernel depends on the processor."""
    places = [Path(str(simkit.__file__)).parent / "solve" / "linear" / "__pycache__"]
    if os.environ.get("NUMBA_CACHE_DIR"):
        places.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    return any(next(place.rglob("kernels.factor_stages*.nbi"), None) for place in places
               if place.is_dir())


def left_words(row: Mapping[str, str]) -> str:
    """What a repair left, from its row of the summary."""
    return (f"low {float(row['max_low_mm']):+.2f} mm, high {float(row['max_high_mm']):+.2f} mm, "
            f"slope {float(row['slope_mrad']):.1f} mrad; stage {row['stage'] or 'none'}")


def no_match(case: Case) -> None:
    """Advice if the depth field was not matched."""
    say("The reconstructed panel does not match the measured one, so it was not repaired. Check "
        "depths, units and the supports of the edges; give what is known of the blow under "
        f"'history'; raise history.rounds (now {case.history.rounds}); or use --accept-mismatch.")


def cautions() -> None:
    """Print the usual cautions."""
    say("")
    say("Before anyone works on a real panel:")
    for caution in cautions_for():
        say(f"  - {caution.text}")
