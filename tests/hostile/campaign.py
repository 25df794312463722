"""Odd inputs by the thousand: made from a seed, given to the command line, judged by its manners.

An answer has manners when it is one of the stated exit codes, none of them an internal error, shows
no traceback, says what is wrong in lines that begin with "error:", leaves nothing half-written and
touches nothing that is not its own. Used by the tests (few, by hypothesis) and by
benchmarks/hostile.py (many, for as long as wanted).
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

from simkit import exit_codes
from simkit.cli.main import main

ALLOWED = {exit_codes.DONE, exit_codes.BAD_INPUT}
"""What an input that computes nothing may end with."""
SECONDS = 60
MOST_LINES = 250


@dataclass(frozen=True)
class Tried:
    """One command: what sort of input, the command, its exit code, what it said on standard
    errors, and what was wrong with its manners ("" for nothing)."""

    sort: str
    argv: tuple[str, ...]
    code: int | None
    said: str
    fault: str


class Hangs(Exception):
    """The command did not come back."""


def ask(sort: str, argv: list[str], allowed: frozenset[int] | set[int] = ALLOWED) -> Tried:
    """Give a command and judge the answer."""
    out, err = io.StringIO(), io.StringIO()
    code: int | None = None
    fault = ""
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), _within(SECONDS):
            code = main(argv)
    except Hangs:
        fault = f"no answer within {SECONDS} s"
    except BaseException as error:  # whatever comes out of main is what is looked for
        fault = f"{type(error).__name__} came out: {error!s:.200}"
    said = err.getvalue()
    return Tried(sort, tuple(argv), code, said, fault or manners(code, out.getvalue(), said,
                                                                 allowed))


def manners(code: int | None, out: str, said: str, allowed: frozenset[int] | set[int]) -> str:
    """What is wrong with an answer; empty for nothing."""
    if code not in allowed:
        return f"exit code {code}: {said.strip()[:300]}"
    if "Traceback" in said or "Traceback" in out:
        return "a traceback"
    lines = [line for line in said.splitlines() if not line.startswith("... ")]
    if code == exit_codes.BAD_INPUT:
        if not lines or len(lines) > MOST_LINES:
            return f"{len(lines)} lines about bad input"
        bad = [line for line in lines if not line.startswith(("error: ", "Error: ", "warning: "))]
        if bad:
            return f"a line that is no error: {bad[0][:200]!r}"
        if max(map(len, lines)) > 3000:
            return f"a line of {max(map(len, lines))} letters"
    if any(ord(c) < 32 and c not in "\n" for c in said + out):
        return "a control character reached the terminal"
    return ""


@contextlib.contextmanager
def _within(seconds: int) -> Iterator[None]:
    def stop(number: int, frame: object) -> None:
        raise Hangs

    # processor time for work without end, the clock (others may have the processor) for waiting
    clocks = ((signal.SIGPROF, signal.ITIMER_PROF, seconds),
              (signal.SIGALRM, signal.ITIMER_REAL, 40 * seconds))
    before = [signal.signal(number, stop) for number, _, _ in clocks]
    for _, clock, limit in clocks:
        signal.setitimer(clock, limit)
    try:
        yield
    finally:
        for (number, clock, _), old in zip(clocks, before, strict=True):
            signal.setitimer(clock, 0)
            signal.signal(number, old)


@contextlib.contextmanager
def place() -> Iterator[Path]:
    """An empty folder, which is also the current one; what was put beside it is checked."""
    here = os.getcwd()
    root = Path(tempfile.mkdtemp(prefix="hostile-"))
    try:
        (root / "in").mkdir()
        os.chdir(root / "in")
        yield root / "in"
    finally:
        os.chdir(here)
        shutil.rmtree(root, ignore_errors=True)


Sort = Callable[[Random, Path], Tried]


@dataclass
class Count:
    """Tried, passed, and those that had no manners with their numbers and when they were met
    (minutes from the beginning)."""

    tried: int
    passed: int
    violated: list[tuple[int, Tried]]
    minutes: list[float]


def once(sort: Sort, name: str, seed: int, number: int) -> Tried:
    """The input of a seed and number, given in an empty folder."""
    with place() as folder:
        tried = sort(Random(f"{seed}-{name}-{number}"), folder)
        beside = sorted(os.listdir(folder.parent))
    if not tried.fault and beside != ["in"]:
        return replace(tried, fault=f"wrote beside its folder: {beside}")
    return tried


def campaign(sorts: dict[str, Sort], minutes: float, seed: int, tell: Callable[[str], None],
             first: int = 0) -> Iterator[tuple[int, dict[str, Count]]]:
    """Try sort after sort until the time is up; after each round the next number and the counts.

    The input hangs on seed, sort and number, so that a later call goes on where this one stopped.
    """
    counts = {name: Count(0, 0, [], []) for name in sorts}
    begin, number = time.monotonic(), first
    while time.monotonic() < begin + 60.0 * minutes:
        for name, sort in sorts.items():
            tried, count = once(sort, name, seed, number), counts[name]
            count.tried += 1
            count.passed += not tried.fault
            if tried.fault:
                count.violated.append((number, tried))
                count.minutes.append((time.monotonic() - begin) / 60.0)
                tell(f"{name} {number}: {' '.join(tried.argv)[:200]}: {tried.fault}")
        number += 1
        yield number, counts
