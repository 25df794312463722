"""Output of a verb: permanent lines, and below them the progress rows.

Both are written to standard output, or to standard error if the result is JSON.
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
"""The progress board on the terminal: one, or none."""


def wanted() -> bool:
    """Whether the running verb has the option --json."""
    ctx = click.get_current_context(silent=True)
    return bool(ctx is not None and ctx.meta.get(KEY))


def stream() -> Any:
    """The stream for progress; None if it is closed."""
    return sys.stderr if wanted() else sys.stdout


def say(text: str) -> None:
    """Write a line of progress and flush it, so that it also passes pipes at once.

    Control characters are made visible, so that a terminal does not execute them.
    """
    with aside():
        click.echo(visible(text, keep="\n"), err=wanted())
        if stream() is not None:
            stream().flush()


@contextmanager
def aside() -> Iterator[None]:
    """Remove the board while something else is written."""
    for board in _boards:
        board.pause()
    try:
        yield
    finally:
        for board in _boards:
            board.resume()


@contextmanager
def display() -> Iterator[None]:
    """Show progress rows while a verb works, if the output is a terminal."""
    try:
        with heard(shown):
            yield
    finally:
        put_away()


def put_away() -> None:
    """End the board after the work."""
    while _boards:
        _boards.pop().end()


def shown(word: Word) -> None:
    """Show a progress message of long work."""
    if word.stays:
        say(word.text)
        return
    if not _boards:
        place = stream()
        if place is None or not place.isatty():
            return
        # Imported only for a terminal: loading rich takes a tenth of a second.
        _boards.append(importlib.import_module("simkit.cli.board").Board(place))
    _boards[0].listen(word)
