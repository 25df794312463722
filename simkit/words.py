"""Text of unknown origin made safe for a terminal, a line of a message or a picture."""

from __future__ import annotations

import unicodedata

UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that move the cursor, turn the direction of writing or show nothing."""


def visible(text: str, keep: str = "") -> str:
    """Text with all control and invisible characters written as escapes.

    Letters of all scripts are unchanged. Line ends, terminal escapes and direction marks become
    ``\\x1b`` and similar, except the characters in ``keep``.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c in keep or unicodedata.category(c) not in UNSEEN
                   else c.encode("unicode_escape", "surrogatepass").decode("ascii")
                   for c in text)


def duration(seconds: float) -> str:
    """A time in seconds, minutes or hours, by its size."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def one_line(text: str, most: int = 2000) -> str:
    """Text on one line with single blanks, cut after ``most`` characters."""
    line = visible(" ".join(text.split()))
    return line if len(line) <= most else f"{line[:most]}... ({len(line)} letters)"
