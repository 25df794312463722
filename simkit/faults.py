"""Errors in one line with an exit code: bad input, system errors, faults inside simkit."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import traceback
from collections.abc import Iterator, Sequence
from types import FrameType
from typing import Any

from simkit import __version__
from simkit.errors import InputError, WorkerLost
from simkit.exit_codes import BAD_INPUT, INPUT_OUTPUT, INTERNAL, SYSTEM
from simkit.streams import complain, silence
from simkit.words import one_line

ADVICE = {
    errno.ENOSPC: "free some space and give the command again: it goes on",
    errno.EDQUOT: "free some space and give the command again: it goes on",
    errno.EFBIG: "raise the limit on file sizes and give the command again: it goes on",
    errno.ENOENT: "leave the folder alone while simkit works",
    errno.ENAMETOOLONG: "a shorter name",
    errno.EACCES: "a place that can be written",
    errno.EROFS: "a place that can be written",
    errno.EMFILE: "raise the limit on open files",
    errno.EBUSY: "wait until the other one has ended",
}
"""What to do about a system error."""


NAMES = {errno.ENAMETOOLONG, errno.EISDIR, errno.ENOTDIR, errno.ELOOP}
"""Errors caused only by a name on the command line or in a file; they count as bad input."""
PRINTING = {errno.ENOSPC, errno.EBADF, errno.EIO, errno.EINVAL}
"""Errors that come from printing if they name no file."""


class Terminated(BaseException):
    """The program received SIGTERM or SIGHUP.

    Not an Exception, so that no handler for errors can catch it.
    """


@contextlib.contextmanager
def ending_on_signals() -> Iterator[None]:
    """Raise `Terminated` on SIGTERM and SIGHUP, so that clean-up code removes incomplete files."""

    def end(number: int, frame: FrameType | None) -> None:
        raise Terminated

    before: dict[int, Any] = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # ValueError: only the main thread may set handlers. A signal that is ignored already, as
        # SIGHUP under nohup, stays ignored.
        with contextlib.suppress(ValueError):
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def failed(line: str, code: int) -> int:
    """Print an error line on standard error; returns the code."""
    complain(f"error: {one_line(line)}")
    return code


def refused(errors: Sequence[InputError]) -> int:
    """Print every input error on a line of its own; returns the exit code."""
    for error in errors[:200]:
        complain(f"error: {one_line(str(error))}")
    if len(errors) > 200:
        complain(f"error: and {len(errors) - 200} more")
    return BAD_INPUT


def explained(error: Exception) -> int:
    """Print the meaning of an exception for the user; returns the exit code."""
    if isinstance(error, WorkerLost):
        return failed(str(error), SYSTEM)
    if isinstance(error, MemoryError):
        return failed("not enough memory for this; coarser elements (mesh.fine_mm, coarse_mm) or "
                      "fewer layers need less, see 'simkit check'", SYSTEM)
    if isinstance(error, OSError):
        where = error.filename if isinstance(error.filename, str | bytes) else ""
        where = os.fsdecode(where)
        if not where and error.errno in PRINTING:
            where = "standard output"
            silence(sys.stdout)
        reason = error.strerror or str(error) or type(error).__name__
        advice = ADVICE.get(error.errno or 0, "")
        line = (f"{where}: " if where else "") + reason + (f"; {advice}" if advice else "")
        return failed(line, BAD_INPUT if error.errno in NAMES else INPUT_OUTPUT)
    report = _report(error)
    where = f"; the details are in {report}, please send it to whoever maintains simkit" \
        if report else ""
    return failed(f"a fault inside simkit ({type(error).__name__}: {error}){where}", INTERNAL)


def _report(error: Exception) -> str | None:
    """Write the traceback into a temporary file; returns its path, None if that fails."""
    base = next((os.environ[key] for key in ("TMPDIR", "TEMP", "TMP") if os.environ.get(key)),
                "/tmp" if os.name == "posix" else ".")
    path = os.path.join(base, f"simkit-report-{os.urandom(6).hex()}.txt")
    lines = [f"simkit {__version__}, Python {sys.version.split()[0]}, {sys.platform}",
             "command: " + " ".join(map(ascii, sys.argv[1:])), "",
             *traceback.format_exception(error)]
    try:
        # O_EXCL: a link that somebody else put at this path is not followed.
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with open(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write("\n".join(lines))
    except OSError:
        return None
    return path
