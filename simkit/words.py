"""Text from outside, made fit to be shown: on a terminal, in one line, in a picture."""

from __future__ import annotations

import unicodedata

UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that move the cursor, turn the direction of writing or show nothing."""


def visible(text: str, keep: str = "") -> str:
    """Text with every character that acts instead of showing written as an escape.

    Letters of all scripts stay; line ends, escapes and direction marks become ``\\x1b`` and the
    like, except those in ``keep``.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c in keep or unicodedata.category(c) not in UNSEEN
                   else c.encode("unicode_escape", "surrogatepass").decode("ascii")
                   for c in text)


def duration(seconds: float) -> str:
    """A time in the unit that suits it."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def one_line(text: str, most: int = 2000) -> str:
    """Text on one line, blanks joined, cut where it is longer than anybody reads."""
    line = visible(" ".join(text.split()))
    return line if len(line) <= most else f"{line[:most]}... ({len(line)} letters)"
