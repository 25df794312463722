"""Progress messages of long work, sent to a listener if there is one.

Long loops report with :func:`beat` and :func:`counted`; results do not depend on a listener. Tasks
that run at the same time have a line each (:func:`lined`). Another process sends its messages as
bytes (:func:`sender`, :func:`heard_from`). Work that may lose its purpose can be stopped
(:func:`stoppable`).
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass

EVERY_S = 0.5
"""Least time between two messages from one process to another."""
LONGEST_BYTES = 4000
"""Largest message to another process: with the pipe's own header or line end it is written in one
piece (PIPE_BUF of Linux, 4096 bytes)."""
MOST_LETTERS, MOST_LETTERS_OF_LINE = 560, 60
"""Largest numbers of characters of text and line of such a message. As JSON a character takes six
bytes at most, those beyond the basic plane (emoji) twelve: then the text is cut to a third."""


@dataclass(frozen=True)
class Word:
    """A progress message.

    Attributes
    ----------
    text : present work; the unit if something is counted
    line : name of the task if several run at the same time, else ""
    done, of : units done and their total number; of = 0 if it is not known
    most : ``of`` is an upper limit that need not be reached
    over : the task has ended; stays : to be shown as a permanent line
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
_unwanted: ContextVar[Callable[[], bool] | None] = ContextVar("unwanted", default=None)


class Stopped(Exception):
    """The work within a :func:`stoppable` block is not wanted any more."""


def listening() -> Listener | None:
    """The present listener, to be passed to another thread; None if there is none."""
    return _listener.get()


def tell(word: Word) -> None:
    """Send a message to the listener, if there is one."""
    listener = _listener.get()
    if listener is not None:
        listener(word)


def beat(text: str) -> None:
    """Report the present work."""
    if _listener.get() is not None:
        tell(Word(": ".join((*_doing.get(), text)), _line.get()))


def counted(done: int, of: int, unit: str, most: bool = False) -> None:
    """Report the units done of all units; ``most``: the total is an upper limit."""
    tell(Word(unit, _line.get(), done, of, most))


def over() -> None:
    """Report the end of the work on this line."""
    tell(Word(line=_line.get(), over=True))


@contextmanager
def doing(text: str) -> Iterator[None]:
    """Put ``text`` before all messages within the block."""
    kept = _doing.set((*_doing.get(), text))
    try:
        yield
    finally:
        _doing.reset(kept)


@contextmanager
def lined(name: str) -> Iterator[None]:
    """Give all messages within the block this line; it ends with the block."""
    kept = _line.set(name)
    try:
        yield
    finally:
        _line.reset(kept)
        tell(Word(line=name, over=True))


@contextmanager
def heard(listener: Listener | None) -> Iterator[None]:
    """Set the listener for the block; None: no listener."""
    kept = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(kept)


@contextmanager
def stoppable(unwanted: Callable[[], bool]) -> Iterator[None]:
    """End the work within the block by :class:`Stopped` once ``unwanted`` is true."""
    kept = _unwanted.set(unwanted)
    try:
        yield
    finally:
        _unwanted.reset(kept)


def go_on() -> None:
    """Called in long loops: raises :class:`Stopped` if the work is not wanted any more."""
    unwanted = _unwanted.get()
    if unwanted is not None and unwanted():
        raise Stopped


def sender(put: Callable[[bytes], None],
           clock: Callable[[], float] = time.monotonic) -> Listener:
    """A listener that passes messages on as bytes without line ends.

    Plain texts are passed on at most every ``EVERY_S``; counts, ends and permanent lines always.
    put : takes the bytes of one message, at most ``LONGEST_BYTES``, in one piece.
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
    data = json.dumps(said).encode()
    if len(data) > LONGEST_BYTES:
        data = json.dumps({**said, "text": word.text[: MOST_LETTERS // 3]}).encode()
    return data


def heard_from(data: bytes) -> Word | None:
    """The message that another process sent; None if it is not valid."""
    try:
        return Word(**json.loads(data))
    except (ValueError, TypeError):
        return None
