"""Long work says what it does: on a terminal, in one line that is replaced; elsewhere not at all.

Truth: exact, the rules of the line itself, on a clock of our own.
"""

from __future__ import annotations

import io

from simkit.underway import EVERY_S, LINE_COLUMNS, StandingLine, beat, doing, heard


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_words_belong_to_what_is_done() -> None:
    said: list[str] = []
    with heard(said.append):
        with doing("pull round-30"), doing("release"):
            beat("half")
        beat("after")
    beat("nobody any more")
    assert said == ["pull round-30: release: half", "after"]


def test_a_terminal_shows_one_line_that_is_replaced() -> None:
    now = [0.0]
    stream = Terminal()
    line = StandingLine(stream, clock=lambda: now[0])
    for k in range(40):
        now[0] = 0.25 * k * EVERY_S
        line.listen(f"word {k}")
    shown = stream.getvalue().split("\r")[1:]
    assert [text.split()[-1] for text in shown] == ["4", "8", "12", "16", "20", "24", "28", "32",
                                                    "36"]
    assert {len(text) for text in shown} == {LINE_COLUMNS}
    assert shown[-1].startswith(" 0:09 word")
    line.clear()
    assert stream.getvalue().endswith("\r" + " " * LINE_COLUMNS + "\r")
    assert "\n" not in stream.getvalue()


def test_other_streams_stay_quiet() -> None:
    now = [0.0]
    stream = io.StringIO()
    line = StandingLine(stream, clock=lambda: now[0])
    now[0] = 100.0
    line.listen("word")
    line.clear()
    assert stream.getvalue() == ""
