"""Progress rows at the bottom of a terminal: present work, time so far and time left.

One row is for the whole command, and one for each task that runs at the same time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TextIO

from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from simkit.underway import Word
from simkit.words import duration, visible

PER_SECOND = 3
"""Updates of the rows per second."""
PATIENCE_S = 1.0
"""Work that ends sooner shows no rows."""
MOST_ROWS = 8
"""Largest number of rows for tasks; of further tasks only the number is shown."""
BAR_COLUMNS = 18


@dataclass
class Row:
    """Progress of one task: its start (s), its last message, and the units done of all units."""

    since_s: float
    text: str = ""
    unit: str = ""
    done: int = 0
    of: int = 0
    most: bool = False
    at_first: int = 0
    first_s: float = 0.0
    last_s: float = 0.0

    def left_s(self, now_s: float) -> float | None:
        """Time left at the mean speed up to the last count, s; None if it cannot be estimated, or
        has been exceeded."""
        fresh = self.done - self.at_first
        if self.most or fresh <= 0 or self.of <= self.done:
            return None
        pace_s = (self.last_s - self.first_s) / fresh
        # Less the time that has passed since the last count.
        left_s = pace_s * (self.of - self.done) - (now_s - self.last_s)
        return left_s if left_s > 0.0 else None

    def count(self, word: Word, now_s: float) -> None:
        """Take a new count; it ends the work of the last message."""
        # A new total is a new task: the speed is measured from its first count.
        if self.of != word.of:
            self.at_first, self.first_s = word.done, now_s
        self.done, self.of, self.most, self.unit = word.done, word.of, word.most, word.text
        self.last_s, self.text = now_s, ""


class Board:
    """Rows at the bottom of a terminal; :mod:`simkit.cli.lines` writes the lines above them."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic,
                 width: int | None = None) -> None:
        self._console = Console(file=stream, highlight=False, markup=False, emoji=False,
                                width=width)
        self._clock, self._begin = clock, clock()
        self._whole = Row(self._begin)
        self._rows: dict[str, Row] = {}
        self._live: Live | None = None

    def listen(self, word: Word) -> None:
        """Take a progress message of long work."""
        if word.over:
            self._rows.pop(word.line, None)
            if not word.line:
                self._whole = Row(self._begin)
            return
        row = self._rows.setdefault(word.line, Row(self._clock())) if word.line else self._whole
        if word.of:
            row.count(word, self._clock())
        elif word.text:
            row.text = visible(word.text)
        self.resume()

    def pause(self) -> None:
        """Remove the rows until `resume`; a new line also ends the message of the whole command."""
        self._whole.text = ""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def resume(self) -> None:
        """Show the rows again, if there is anything to show."""
        if self._live is None and (self._rows or self._whole.text
                                   or self._whole.done < self._whole.of):
            self._live = Live(get_renderable=self.rows, console=self._console, transient=True,
                              refresh_per_second=PER_SECOND, redirect_stdout=False,
                              redirect_stderr=False)
            self._live.start()

    def end(self) -> None:
        """Remove the rows finally."""
        self.pause()
        self._rows.clear()
        self._whole = Row(self._clock())

    def rows(self) -> Table:
        """The present rows as a table."""
        now = self._clock()
        table = Table.grid(padding=(0, 1), expand=True)
        for setting in ({"justify": "right", "no_wrap": True}, {"no_wrap": True},
                        {"no_wrap": True, "overflow": "ellipsis", "ratio": 1}):
            table.add_column(**setting)  # type: ignore[arg-type]
        if now - self._begin < PATIENCE_S:
            return table
        table.add_row(_clock_text(now - self._begin), *_cells(self._whole, now, "bold"))
        rows = list(self._rows.items())
        for name, row in rows[:MOST_ROWS]:
            bar, text = _cells(row, now, "")
            table.add_row(_clock_text(now - row.since_s, "dim"), bar,
                          Text.assemble((visible(name), "cyan"), " ", text))
        if len(rows) > MOST_ROWS:
            table.add_row("", "", Text(f"and {len(rows) - MOST_ROWS} more", "dim"))
        return table


def _cells(row: Row, now_s: float, style: str) -> tuple[ProgressBar | Text, Text]:
    """Progress bar and text of a row."""
    if not row.of:
        return Text(), Text(row.text, style)
    bar = ProgressBar(total=row.of, completed=row.done, width=BAR_COLUMNS)
    left = row.left_s(now_s)
    count = f"{row.done} of {'at most ' if row.most else ''}{row.of}"
    said = f"{count} {row.unit}" + ("" if left is None else f", about {duration(left)} left")
    return bar, Text.assemble((said, style), f"; {row.text}" if row.text else "")


def _clock_text(seconds: float, style: str = "") -> Text:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return Text(f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}", style)
