"""What long work is doing right now, told to whoever listens.

Loops that take long say so with :func:`beat` and :func:`counted`; nobody needs to listen, and
nothing hangs on it. Work that goes on at the same time as other work has a line of its own
(:func:`lined`). A process of its own hands its words on as bytes (:func:`sender`,
:func:`heard_from`).
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass

EVERY_S = 0.5
"""Least time between two words that go from one process to another."""
LONGEST_BYTES = 4096
"""Of a word on its way to another process: what a pipe takes in one piece (PIPE_BUF of Linux)."""
MOST_LETTERS, MOST_LETTERS_OF_LINE = 560, 60
"""Of a word that is handed on: as JSON, six bytes a letter at most, it then fits."""


@dataclass(frozen=True)
class Word:
    """What is being done.

    Attributes
    ----------
    text : in words; the unit where something is counted
    line : what it belongs to where several things go on at once, else ""
    done, of : so many of how many; of = 0 where that is not known
    most : ``of`` is a limit that need not be reached
    over : the line has ended; stays : a line of progress that stays to be read
    """

    text: str = ""
    line: str = ""
    done: int = 0
    of: int = 0
    most: bool = False
    over: bool = False
    stays: bool = False


Listener = Callable[[Word], None]
_listener: ContextVar[Listener | None] = ContextVar("listener", default=None)
_doing: ContextVar[tuple[str, ...]] = ContextVar("doing", default=())
_line: ContextVar[str] = ContextVar("line", default="")


def listening() -> Listener | None:
    """Who listens, to be handed to another thread; None: nobody does."""
    return _listener.get()


def tell(word: Word) -> None:
    """Give a word to whoever listens."""
    listener = _listener.get()
    if listener is not None:
        listener(word)


def beat(text: str) -> None:
    """Say what is being done right now."""
    if _listener.get() is not None:
        tell(Word(": ".join((*_doing.get(), text)), _line.get()))


def counted(done: int, of: int, unit: str, most: bool = False) -> None:
    """Say how much is done: so many of how many units, at most so many where ``most``."""
    tell(Word(unit, _line.get(), done, of, most))


def over() -> None:
    """Say that what was counted and done on this line has ended."""
    tell(Word(line=_line.get(), over=True))


@contextmanager
def doing(text: str) -> Iterator[None]:
    """Everything said inside belongs to this."""
    kept = _doing.set((*_doing.get(), text))
    try:
        yield
    finally:
        _doing.reset(kept)


@contextmanager
def lined(name: str) -> Iterator[None]:
    """Everything said inside belongs to this line; at the end the line is over."""
    kept = _line.set(name)
    try:
        yield
    finally:
        _line.reset(kept)
        tell(Word(line=name, over=True))


@contextmanager
def heard(listener: Listener | None) -> Iterator[None]:
    """Listen for a while; None: nobody does."""
    kept = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(kept)


def sender(put: Callable[[bytes], None],
           clock: Callable[[], float] = time.monotonic) -> Listener:
    """A listener that hands words on as bytes without line ends; what changes fast is thinned out.

    put : takes the bytes of one word, at most ``LONGEST_BYTES``, in one piece.
    """
    last = -EVERY_S

    def listen(word: Word) -> None:
        nonlocal last
        now = clock()
        if word.of or word.over or word.stays or now - last >= EVERY_S:
            last = now
            put(_as_bytes(word))

    return listen


def _as_bytes(word: Word) -> bytes:
    said = {**asdict(word), "text": word.text[:MOST_LETTERS],
            "line": word.line[:MOST_LETTERS_OF_LINE]}
    return json.dumps(said).encode()


def heard_from(data: bytes) -> Word | None:
    """The word that another process handed on; None where it is none."""
    try:
        return Word(**json.loads(data))
    except (ValueError, TypeError):
        return None
