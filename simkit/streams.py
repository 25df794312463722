"""Standard output and standard error that may be closed, full, or in a coding other than UTF-8."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Any

from simkit.words import visible


def make_sound() -> None:
    """Make the three streams usable.

    A closed stream is opened to the null device; otherwise the first file that is opened would get
    its number, and printed text would go into that file. Characters that the coding of a stream
    lacks are written as escapes.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    if sys.stderr is None:
        sys.stderr = _nowhere()
    if sys.stdout is None:
        sys.stdout = _nowhere()
        complain("warning: standard output is closed; nothing is printed")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            with contextlib.suppress(Exception):
                stream.reconfigure(errors="backslashreplace")


def _nowhere() -> Any:
    return open(os.devnull, "w", encoding="utf-8")


def complain(text: str) -> None:
    """Print text on standard error, if that is possible."""
    with contextlib.suppress(OSError, ValueError):
        print(visible(text, keep="\n"), file=sys.stderr, flush=True)


def silence(stream: Any) -> None:
    """Send buffered text to the null device; else Python reports an error when it ends."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
