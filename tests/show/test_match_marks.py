"""Measured lows and highs are marked as explained or not.

Truth: exact, what the record says of each spot.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simkit.record.read import Field, RunRecord
from simkit.show.match import match_figure, spots_judged

SPOTS = [
    {"kind": "low", "x_mm": -60.0, "y_mm": 0.0, "height_mm": -8.0, "found_mm": -7.9, "ok": True},
    {"kind": "high", "x_mm": 80.0, "y_mm": 20.0, "height_mm": 3.5, "found_mm": 0.4, "ok": False},
]


def record(spots: object) -> RunRecord:
    """A made-up run: a low that was found, a high that was not."""
    x, y = np.linspace(-150, 150, 61), np.linspace(-100, 100, 41)
    xx, yy = np.meshgrid(x, y)
    low = -8.0 * np.exp(-(((xx + 60) / 40) ** 2) - (yy / 40) ** 2)
    high = 3.5 * np.exp(-(((xx - 80) / 18) ** 2) - ((yy - 20) / 18) ** 2)
    match = {"matched": False, "rms_mm": 0.31, "worst_mm": 3.1, "spots": spots}
    return RunRecord(Path(), "Made up", "none", "depth field not matched", 0.1, (),
                     (Field(x, y, low + 0.1 * high),), Field(x, y, low + high), match)


def test_what_is_missing_stands_on_the_map() -> None:
    figure = match_figure(record(SPOTS), record(SPOTS).measured)
    said = " ".join(text.get_text() for ax in figure.axes for text in ax.texts)
    assert "o explained: 1    x not: 1" in said
    assert "+0.40 for +3.50" in said
    assert "-7.90 for" not in said


@pytest.mark.parametrize("spots", [None, [{"x_mm": 1.0}], ["low"], 3])
def test_a_record_that_does_not_say_is_drawn_without(spots: object) -> None:
    assert spots_judged(record(spots)) == ()
