"""Braces bent along with the panel. Truth: exact (springs of known stiffness and area)."""

from __future__ import annotations

import json

import numpy as np
import pytest

from simkit.case.load import load_case
from simkit.history.reconstruct import reconstruct
from simkit.repair.bent import with_bent_beds
from simkit.repair.workpiece import make_workpiece

BED = {"name": "beam", "shape": "rectangle", "x_mm": 0, "y_mm": 0, "length_mm": 60,
       "width_mm": 40, "stiffness_N_per_mm3": 0.4, "bonded": True, "bent_with_panel": True}
CASE = {"format": 1, "title": "Bent", "about": "Invented for the tests.",
        "panel": {"surface": "flat", "length_x_mm": 160, "length_y_mm": 140, "thickness_mm": 0.8,
                  "grade": "DC04", "supports": [BED]},
        "mesh": {"fine_mm": 10, "coarse_mm": 20, "layers": 3},
        "dent": {"blows": [{"body": "ball", "radius_mm": 15, "x_mm": 0, "y_mm": 0,
                            "travel_mm": 3}]}}


def test_a_bent_bed_follows_the_dent_without_force(tmp_path) -> None:
    (tmp_path / "case.yaml").write_text(json.dumps(CASE), encoding="utf-8")
    work = make_workpiece(load_case(tmp_path))
    state = reconstruct(work).state
    bent = with_bent_beds(work, state)
    free, held = (w.model.internal(state.displacement, state, False) for w in (work, bent))
    assert free is not None
    assert held is not None
    np.testing.assert_allclose(held.force, free.force, atol=1e-9)
    # pressed 0.1 mm further as a whole: stiffness times area times 0.1 mm
    deeper = state.displacement - np.array([0.0, 0.0, 0.1])
    free, held = (w.model.internal(deeper, state, False) for w in (work, bent))
    assert free is not None
    assert held is not None
    covered = (held.force - free.force)[:, 2].sum() / (-0.1 * 0.4)
    assert covered == pytest.approx(60 * 40, rel=0.25)  # the bed's rim falls on 3 points a side
