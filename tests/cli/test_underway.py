"""Long work says what it does: on a terminal, in rows below the lines that stay; elsewhere not.

Truth: exact, the rules of the rows themselves, on a clock of our own.
"""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console
from small_case import write_case

from simkit.cli import lines
from simkit.cli.board import MOST_ROWS, Board
from simkit.underway import (
    EVERY_S,
    LONGEST_BYTES,
    Word,
    beat,
    counted,
    doing,
    heard,
    heard_from,
    lined,
    sender,
)


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def now() -> list[float]:
    """A clock that is set by hand."""
    return [0.0]


@pytest.fixture
def board(now: list[float]) -> Board:
    return Board(Terminal(), lambda: now[0], width=100)


def drawn(board: Board, pause: bool = True) -> list[str]:
    """The rows as they stand now, or once a line has been written."""
    if pause:
        board.pause()
    paper = io.StringIO()
    Console(file=paper, width=100).print(board.rows())
    return [line.rstrip() for line in paper.getvalue().splitlines() if line.strip()]


def test_words_belong_to_what_is_done() -> None:
    said: list[Word] = []
    with heard(said.append):
        with doing("pull round-30"), doing("release"):
            beat("half")
        with lined("planner"):
            beat("after")
            counted(3, 20, "steps", most=True)
    beat("nobody any more")
    assert said == [Word("pull round-30: release: half"), Word("after", "planner"),
                    Word("steps", "planner", 3, 20, True), Word(line="planner", over=True)]


def test_rows_say_since_when_what_how_many_and_what_is_left(board, now) -> None:
    now[0] = 5.0
    board.listen(Word("runs", done=0, of=8))
    board.listen(Word("begins", "one"))
    now[0] = 65.0
    board.listen(Word("runs", done=2, of=8))
    board.listen(Word("round 3", "two"))
    now[0] = 70.0
    whole, one, two = drawn(board)
    assert whole.split()[0] == "1:10"
    assert whole.endswith("2 of 8 runs, about 3 min left")  # 60 s / 2 x 6 - 5 s
    assert one.split() == ["1:05", "one", "begins"]
    assert two.split() == ["0:05", "two", "round", "3"]
    now[0] = 400.0
    assert drawn(board)[0].endswith("2 of 8 runs")  # longer than foreseen: nothing is foretold
    board.listen(Word(line="one", over=True))
    assert [line.split()[1] for line in drawn(board)[1:]] == ["two"]


def test_nothing_is_said_to_be_left_where_it_is_not_known(board, now) -> None:
    now[0] = 9.0
    board.listen(Word("steps", done=3, of=20, most=True))
    now[0] = 99.0
    board.listen(Word("steps", done=4, of=20, most=True))
    board.listen(Word("pull round-30"))
    assert drawn(board, pause=False)[0].endswith("4 of at most 20 steps; pull round-30")
    assert drawn(board)[0].endswith("4 of at most 20 steps")  # a line was written meanwhile
    board.listen(Word(over=True))
    assert board._live is None


def test_many_pieces_of_work_are_counted_and_what_acts_is_shown(board, now) -> None:
    now[0] = 2.0
    for k in range(MOST_ROWS + 3):
        board.listen(Word("\x1b[2J works", f"run {k}"))
    rows = drawn(board)
    assert len(rows) == 1 + MOST_ROWS + 1
    assert rows[-1].strip() == "and 3 more"
    assert "\\x1b[2J works" in rows[1]


def test_short_work_and_a_board_that_is_put_away_show_nothing(board, now) -> None:
    now[0] = 0.5
    board.listen(Word("quick"))
    assert drawn(board) == []
    now[0] = 100.0
    assert drawn(board, pause=False) != []
    board.end()
    board.resume()
    assert board._live is None


def test_other_streams_stay_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stdout", stream)
    with lines.display():
        beat("word")
        counted(1, 2, "runs")
    assert stream.getvalue() == ""


def test_words_go_from_one_process_to_another_whole_and_not_too_often() -> None:
    now, sent = [0.0], list[bytes]()
    listen = sender(sent.append, lambda: now[0])
    for k in range(9):
        now[0] = 0.25 * k * EVERY_S
        listen(Word(f"{k}", "a"))
    assert [heard_from(data) for data in sent] == [Word(f"{k}", "a") for k in (0, 4, 8)]
    for word in (Word("stays", stays=True), Word("runs", done=1, of=2), Word(over=True)):
        listen(word)
        assert heard_from(sent[-1]) == word
    listen(Word("\u4e2d\n" * 9000, "\u4e2d" * 9000, stays=True))
    assert len(sent[-1]) <= LONGEST_BYTES
    now[0] += 10.0
    listen(Word("\N{HAMMER}" * 1000, "\N{HAMMER}" * 100))
    assert len(sent[-1]) <= LONGEST_BYTES
    assert b"\n" not in sent[-1]
    assert heard_from(b"no word of ours") is None


def test_a_comparison_on_a_terminal_shows_its_strategies_at_work(tmp_path: Path) -> None:
    """The real thing on a pseudo-terminal: rows come and go, lines stay, nothing is left over."""
    case = write_case(tmp_path / "small", "limits: {steps: 3}", "limits: {steps: 1}")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "simkit", "compare", str(case), "--workers", "2", "--out",
               str(tmp_path / "out")]
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL,
                          env={**os.environ, "TERM": "xterm", "COLUMNS": "100"}) as process:
        os.close(theirs)
        said = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:
                break
            said += part
            if not part:
                break
    os.close(ours)
    text = said.decode()
    assert process.returncode == 0, text
    assert "of 2 strategies" in text
    assert "of at most 1 steps" in text
    assert text.count("crown-first  1: ") == 1
    assert "\x1b[2K" in text[text.rindex("of 2 strategies"):]
    assert text.endswith("\n")
