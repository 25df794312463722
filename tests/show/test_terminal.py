"""What a terminal and a notebook show: tables that fit, time left, pictures of themselves."""

from __future__ import annotations

import io
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from PIL import Image

from simkit.cli.tables import say_comparison
from simkit.inspection.spots import SampledField
from simkit.record.read import ComparisonRecord
from simkit.repair.notebook import session_html
from simkit.show.table import comparison_table
from simkit.study.run import SUMMARY
from simkit.study.runner import done_line

ROW = dict.fromkeys(SUMMARY, "1.5") | {
    "case": "first-dent", "dent": "points", "grade": "HC180B-baked", "flat": "no", "matched": "yes",
    "strategy": "crown-under-tension", "outcome": "nothing helps any more", "steps": "12"}


def test_a_table_fits_on_eighty_columns_and_says_what_is_left_out() -> None:
    lines = comparison_table([ROW, {**ROW, "strategy": "planner"}], 80).splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[3].split()[:2] == ["first-dent", "crown-under-tension"]
    assert "nothing helps any more" in lines[3]
    assert "more columns in the table's file" in lines[-1]


def test_on_a_terminal_the_same_table_is_drawn(monkeypatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    paper = Terminal()
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stdout", paper)
    say_comparison([ROW, {**ROW, "strategy": "\x1b[2Jplanner"}])
    plain = re.sub(r"\x1b\[[0-9;]*m", "", paper.getvalue())
    text = comparison_table([ROW, {**ROW, "strategy": "\x1b[2Jplanner"}], 80)
    assert "\x1b[2J" not in paper.getvalue()
    assert max(map(len, plain.splitlines())) <= 80
    body, written = plain.splitlines()[3:], text.splitlines()[3:]
    assert [line.split() for line in body] == [
        line.replace("\x1b[2J", "\\x1b[2J").split() for line in written]
    assert sorted(" ".join(plain.splitlines()[:2]).split()) == sorted(
        " ".join(text.splitlines()[:2]).split())


def test_without_a_width_every_column_is_there() -> None:
    whole = comparison_table([ROW])
    assert "more columns" not in whole
    assert len(whole.splitlines()[0]) > 150


def test_the_time_left_is_that_of_the_pace_so_far() -> None:
    assert done_line("planner", "flat", 2, 8, 20.0) == "[2/8] planner: flat; about 60 s left"
    assert done_line("planner", "flat", 1, 3, 300.0).endswith("about 10 min left")
    assert done_line("planner", "flat", 8, 8, 20.0) == "[8/8] planner: flat"


def test_a_field_shows_itself_with_lows_blue_and_highs_red() -> None:
    x, y = np.linspace(-50.0, 50.0, 51), np.linspace(-30.0, 30.0, 31)
    d = np.where(x[None, :] < 0.0, -1.0, 1.0) * np.ones((31, 1))
    image = np.asarray(Image.open(io.BytesIO(SampledField(x, y, d)._repr_png_())).convert("RGB"))
    middle = image[image.shape[0] // 2].astype(int)
    blue, red = middle[:, 2] - middle[:, 0] > 60, middle[:, 0] - middle[:, 2] > 60
    assert blue.sum() > 50
    assert red.sum() > 50
    assert np.flatnonzero(blue).mean() < np.flatnonzero(red).mean()


def test_a_session_is_a_table_with_a_picture_and_nothing_from_outside() -> None:
    x = np.linspace(0.0, 10.0, 5)
    row = SimpleNamespace(step=1, operation="pull", tool="<b>tab</b>", x_mm=1.0, y_mm=2.0,
                          released_mm=-0.1, force_N=100.0, outcome="reached", max_low_mm=-0.1,
                          max_high_mm=0.2, slope_mrad=3.0, improvement_pct=40.0)
    page = session_html([row] * 15, SampledField(x, x, np.zeros((5, 5))), "Dent & more")
    assert page.count("<tr>") == 13
    assert "Dent &amp; more" in page
    assert "<b>tab</b>" not in page
    assert "http" not in page


def test_a_comparison_is_a_table() -> None:
    page = ComparisonRecord(Path(), "Two", 0.1, (ROW,), {})._repr_html_()
    assert "crown-under-tension" in page
    assert "<th>max low mm</th>" in page
