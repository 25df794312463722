"""Standard output and errors as they may come: closed, full, or in another coding than UTF-8."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Any

from simkit.words import visible


def make_sound() -> None:
    """Make the three streams usable; a closed one leads nowhere, an odd coding writes escapes.

    Without this the first file that is opened would get the number of a closed stream, and what is
    printed would go into it.
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
    """Text on standard errors, as far as there are any."""
    with contextlib.suppress(OSError, ValueError):
        print(visible(text, keep="\n"), file=sys.stderr, flush=True)


def silence(stream: Any) -> None:
    """Send what is still buffered to nowhere, else Python complains about it at its end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
