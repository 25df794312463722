"""What long work is doing right now, told to whoever listens.

Loops that take long say so with :func:`beat`; nobody needs to listen, and nothing hangs on it. On
a terminal one line shows the last word and for how long it has gone on; the next replaces it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TextIO

from simkit.words import visible

Listener = Callable[[str], None]
EVERY_S = 1.0
"""Time between two words on a terminal."""
LINE_COLUMNS = 78
"""Columns of the line."""
_listener: ContextVar[Listener | None] = ContextVar("listener", default=None)
_doing: ContextVar[tuple[str, ...]] = ContextVar("doing", default=())


def beat(text: str) -> None:
    """Say what is being done right now."""
    listener = _listener.get()
    if listener is not None:
        listener(": ".join((*_doing.get(), text)))


@contextmanager
def doing(text: str) -> Iterator[None]:
    """Everything said inside belongs to this."""
    kept = _doing.set((*_doing.get(), text))
    try:
        yield
    finally:
        _doing.reset(kept)


@contextmanager
def heard(listener: Listener | None) -> Iterator[None]:
    """Listen for a while; None: nobody does."""
    kept = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(kept)


class StandingLine:
    """One line of a terminal whose text is replaced; any other stream stays quiet.

    ``show`` writes at once, ``listen`` at most every ``EVERY_S``; ``clear`` before other text.
    """

    def __init__(self, stream: TextIO | None = None, beside: bool = False,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self._own, self._beside, self._clock = stream, beside, clock
        self._since = self._last = clock()
        self._stands = False

    @property
    def stream(self) -> Any:
        """Where it is written: standard output, or ``beside`` it to the errors."""
        return self._own or (sys.stderr if self._beside else sys.stdout)

    def listen(self, text: str) -> None:
        """A word of long work."""
        now = self._clock()
        if now - self._last >= EVERY_S:
            minutes, seconds = divmod(int(now - self._since), 60)
            self.show(f"{minutes:>2}:{seconds:02d} {text}")

    def show(self, text: str) -> None:
        """Text on the line, at once."""
        stream = self.stream
        if stream is None or not stream.isatty():
            return
        self._last, self._stands = self._clock(), True
        stream.write("\r" + visible(text)[:LINE_COLUMNS].ljust(LINE_COLUMNS))
        stream.flush()

    def clear(self) -> None:
        """Make room for a line that stays; time is counted anew."""
        if self._stands:
            self.stream.write("\r" + " " * LINE_COLUMNS + "\r")
            self._stands = False
        self._since = self._last = self._clock()
