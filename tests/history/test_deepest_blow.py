"""A blow that is asked for more than its body leaves before the sheet snaps."""

from __future__ import annotations

import json

import pytest

from simkit.case.load import load_case
from simkit.history.strike import SEARCH, Blow, strike
from simkit.inspection.sampling import probe_at
from simkit.repair.workpiece import make_workpiece

CASE = {"format": 1, "title": "Dome", "about": "Invented for the tests.",
        "panel": {"surface": "curved", "radius_x_mm": 1500, "radius_y_mm": 700,
                  "length_x_mm": 240, "length_y_mm": 240, "thickness_mm": 0.75, "grade": "DC04"},
        "mesh": {"fine_mm": 8, "coarse_mm": 20},
        "dent": {"shapes": [{"kind": "bowl", "x_mm": 0, "y_mm": 0, "length_mm": 90,
                             "width_mm": 90, "depth_mm": 0.6}]},
        "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}


def test_a_wide_face_leaves_what_it_can_without_a_snap(tmp_path):
    """Beyond about half a millimetre left this shallow dome turns inside out; the
    blow then stops where it has left most."""
    (tmp_path / "case.yaml").write_text(json.dumps(CASE), encoding="utf-8")
    work = make_workpiece(load_case(tmp_path))
    blow = Blow("block", 4.0, 0.0, 0.0, -0.9, 20.0, 40.0, 24.0)
    done = strike(work, work.model.virgin(), blow, SEARCH)
    left = probe_at(work.model, 0.0, 0.0).read(done.state.displacement)
    assert done.outcome.valid
    assert left == pytest.approx(-0.5, abs=0.2)
