"""Where the first blow of a search goes when there are several lows. EXACT: places as given."""

from __future__ import annotations

import json

import numpy as np

from simkit.case.load import load_case
from simkit.history.search import find_low
from simkit.history.trials import Trials
from simkit.repair.workpiece import make_workpiece

PLACES = ((-60.0, 30.0), (40.0, 40.0), (70.0, -30.0), (-30.0, -45.0))


def trials(tmp_path, places):
    shapes = [{"kind": "bowl", "x_mm": x, "y_mm": y, "length_mm": 15, "width_mm": 15,
               "depth_mm": 0.25} for x, y in places]
    case = {"format": 1, "title": "Hail", "about": "Invented for the tests.",
            "panel": {"surface": "curved", "radius_x_mm": 2500, "radius_y_mm": 1200,
                      "length_x_mm": 300, "length_y_mm": 200, "thickness_mm": 0.7,
                      "grade": "DC04"},
            "mesh": {"fine_mm": 5, "coarse_mm": 20}, "dent": {"shapes": shapes},
            "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}
    (tmp_path / "case.yaml").write_text(json.dumps(case), encoding="utf-8")
    return Trials(make_workpiece(load_case(tmp_path)), lambda text: None)


def test_four_lows_do_not_make_one_in_their_middle(tmp_path):
    """The common middle of four bowls is no low: a blow with no depth there went nowhere."""
    low = find_low(trials(tmp_path, PLACES), -1.0)
    assert min(np.hypot(low.x_mm - x, low.y_mm - y) for x, y in PLACES) < 2.0
    assert low.depth_mm < -0.15
    assert low.length_mm < 25.0


def test_a_single_low_is_found_as_before(tmp_path):
    low = find_low(trials(tmp_path, PLACES[:1]), -1.0)
    assert np.hypot(low.x_mm + 60.0, low.y_mm - 30.0) < 1.0
