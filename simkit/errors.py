"""Errors that a user can act on: what is wrong, where, what was expected, what to do."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class InputError(Exception):
    """Input that cannot be used; the command line prints it as one line and exits with 2.

    Attributes
    ----------
    what : what is wrong, with the value found.
    expected : what would have been right, or what to do.
    file : the file it stands in, if any.
    line : line in that file, counted from 1, if known.
    key : dotted path of the key or the name of the column, if any.
    """

    what: str
    expected: str = ""
    file: str | None = None
    line: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        where = self.file or ""
        if self.line is not None:
            where += f":{self.line}"
        head = ": ".join(part for part in (where, self.key or "") if part)
        text = f"{head}: {self.what}" if head else self.what
        return f"{text}; {self.expected}" if self.expected else text
