"""Blows known roughly are where the search starts.

Truth: exact for the case's complaints; OWN for the way back (a dent of two blows, one from either
side, struck by the engine itself on another mesh).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from simkit.case.load import load_case
from simkit.errors import InputErrors
from simkit.history.given import field_of_state, strike_given
from simkit.history.reconstruct import reconstruct
from simkit.repair.workpiece import Workpiece, make_workpiece

PANEL = {"surface": "curved", "radius_x_mm": 900, "radius_y_mm": 500, "length_x_mm": 300,
         "length_y_mm": 220, "thickness_mm": 0.8, "grade": "DC04"}
LOW = {"body": "ball", "radius_mm": 30, "x_mm": -55, "y_mm": -5, "travel_mm": 9.0}
HIGH = {"body": "ball", "radius_mm": 25, "x_mm": 70, "y_mm": 10, "side": "inside",
        "travel_mm": 6.0}


def work_of(folder: Path, fine_mm: float, dent: dict, history: dict | None = None) -> Workpiece:
    text = {"format": 1, "title": "Known", "about": "Invented for the tests.", "panel": PANEL,
            "mesh": {"fine_mm": fine_mm, "coarse_mm": 26, "layers": 3}, "dent": dent}
    if history is not None:
        text["history"] = history
    (folder / "case.yaml").write_text(json.dumps(text), encoding="utf-8")
    return make_workpiece(load_case(folder))


def test_two_known_roughly_are_set_right(tmp_path) -> None:
    truth = work_of(tmp_path, 12.0, {"blows": [LOW, HIGH]})
    struck = strike_given(truth, truth.case.dent.blows)
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-130, 130, 14), np.linspace(-90, 90, 10)))
    d = field_of_state(truth, struck.state)(x, y)
    rows = "\n".join(f"{a:.3f},{b:.3f},{c:.3f}" for a, b, c in zip(x, y, d, strict=True))
    (tmp_path / "depth.csv").write_text("x_mm,y_mm,d_mm\n" + rows + "\n", encoding="utf-8")
    known = [{**LOW, "radius_mm": 25, "x_mm": -48, "y_mm": 2, "travel_mm": 8.0},
             {**HIGH, "x_mm": 64, "y_mm": 15, "travel_mm": 5.0}]
    said: list[str] = []
    work = work_of(tmp_path, 14.0, {"points_csv": "depth.csv", "noise_mm": 0.01},
                   {"blows": known, "match_mm": 0.06})
    done = reconstruct(work, progress=said.append)
    assert [blow.inward for blow in done.blows] == [True, False]
    for blow, true in zip(done.blows, (LOW, HIGH), strict=True):
        assert np.hypot(blow.x_mm - true["x_mm"], blow.y_mm - true["y_mm"]) < 4.0
        assert blow.travel_mm == pytest.approx(true["travel_mm"], rel=0.08)
    assert done.blows[0].radius_mm == 25.0  # a shallow dent does not show it
    assert done.rms_mm < 0.03 * np.abs(d).max()
    assert len(said) < 60


@pytest.mark.parametrize(("history", "key"), [
    ({"blows": [LOW], "search": "depth"}, "history.search depth"),
    ({"blows": [LOW], "method": "imprint"}, "history.method imprint"),
    ({"blows": [{**LOW, "x_mm": 400}]}, "lies off the panel"),
    ({"blows": [{**LOW, "depth_mm": 4}]}, "second end"),
    ({"blows": [{**{k: v for k, v in LOW.items() if k != "travel_mm"}, "energy_J": 4}]},
     "given by its energy"),
])
def test_what_is_known_must_make_sense(tmp_path, history: dict, key: str) -> None:
    (tmp_path / "depth.csv").write_text("x_mm,y_mm,d_mm\n0,0,-2\n10,0,-1\n0,10,-1\n-9,0,-1\n",
                                        encoding="utf-8")
    with pytest.raises(InputErrors) as refused:
        work_of(tmp_path, 14.0, {"points_csv": "depth.csv"}, history)
    assert any(key in str(one) for one in refused.value.errors)
