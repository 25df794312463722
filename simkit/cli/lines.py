"""The line of a terminal that long work writes over, on the stream that the answer leaves free."""

from __future__ import annotations

import click

from simkit.underway import StandingLine

KEY = "simkit.json"
_lines = {False: StandingLine(), True: StandingLine(beside=True)}


def wanted() -> bool:
    """Whether the verb that is running was asked for JSON."""
    ctx = click.get_current_context(silent=True)
    return bool(ctx is not None and ctx.meta.get(KEY))


def standing() -> StandingLine:
    """The line beside the answer."""
    return _lines[wanted()]


def shown(text: str) -> None:
    """A word of long work."""
    standing().listen(text)
