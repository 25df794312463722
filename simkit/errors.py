"""Errors that a user can act on: what is wrong, where, what was expected, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass
class InputError(Exception):
    """Input that cannot be used; the command line prints it as one line and exits with 2.

    Attributes
    ----------
    what : what is wrong, with the value found.
    expected : what was expected, or what to do.
    file : the file in which it is, if any.
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


    def __reduce__(self) -> tuple[type, tuple[object, ...]]:
        # for transfer between processes: by default only positional arguments are pickled
        return type(self), (self.what, self.expected, self.file, self.line, self.key)


class WorkerLost(Exception):
    """A worker process ended without a result: killed from outside, often for lack of memory."""


class InputErrors(Exception):
    """Several input errors found together; printed one on each line, in the order of their lines.

    Attributes
    ----------
    errors : the single errors, at least one.
    """

    def __init__(self, errors: Iterable[InputError]) -> None:
        self.errors: tuple[InputError, ...] = tuple(errors)
        super().__init__(self.errors)

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """The choice most similar to `word`, or None if none is similar enough."""
    by_lower = {choice.lower(): choice for choice in choices}
    found = get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.6)
    return by_lower[found[0]] if found else None


def one_of(word: str, choices: Iterable[str]) -> str:
    """Remedy for a name that is not among `choices`: the most similar one, or all of them."""
    names = list(choices)
    near = nearest(word, names)
    if near is not None:
        return f"did you mean '{near}'?"
    return "expected one of " + ", ".join(names)
