"""Where a verb's words go: lines that stay, and below them what is being done right now.

Both go beside the answer: to standard output, or to the errors where the answer is JSON.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from simkit.underway import Word, heard
from simkit.words import visible

KEY = "simkit.json"
_boards: list[Any] = []
"""The board that stands on the terminal, if one does."""


def wanted() -> bool:
    """Whether the verb that is running was asked for JSON."""
    ctx = click.get_current_context(silent=True)
    return bool(ctx is not None and ctx.meta.get(KEY))


def stream() -> Any:
    """The stream beside the answer; None where there is none."""
    return sys.stderr if wanted() else sys.stdout


def say(text: str) -> None:
    """A line of progress, at once also through pipes; beside the answer where that is JSON.

    Control characters are shown, not obeyed.
    """
    with aside():
        click.echo(visible(text, keep="\n"), err=wanted())
        if stream() is not None:
            stream().flush()


@contextmanager
def aside() -> Iterator[None]:
    """Take the board away while something else is written."""
    for board in _boards:
        board.pause()
    try:
        yield
    finally:
        for board in _boards:
            board.resume()


@contextmanager
def display() -> Iterator[None]:
    """Show what is being done while a verb works, on a terminal; elsewhere nothing."""
    try:
        with heard(shown):
            yield
    finally:
        put_away()


def put_away() -> None:
    """End the board: nothing more is being done."""
    while _boards:
        _boards.pop().end()


def shown(word: Word) -> None:
    """A word of long work."""
    if word.stays:
        say(word.text)
        return
    if not _boards:
        place = stream()
        if place is None or not place.isatty():
            return
        # Loaded where a terminal is: rich takes a tenth of a second, which words have no use for.
        _boards.append(importlib.import_module("simkit.cli.board").Board(place))
    _boards[0].listen(word)
