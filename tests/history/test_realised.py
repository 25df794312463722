"""Histories carried out side by side.

Truth: OWN, the same work in one process; nothing outside the project knows these numbers.
"""

from __future__ import annotations

import numpy as np

from simkit.case import make_case
from simkit.history.reconstruct import Reconstruction
from simkit.history.strike import Blow
from simkit.repair.workpiece import Workpiece, make_workpiece
from simkit.study.realised import realised

CASE = {"title": "Struck", "about": "Invented for the tests.",
        "panel": {"length_x_mm": 120, "length_y_mm": 120, "thickness_mm": 0.8, "grade": "DC04"},
        "mesh": {"fine_mm": 12, "coarse_mm": 20, "layers": 3},
        "dent": {"shapes": [{"kind": "bowl", "x_mm": 0, "y_mm": 0,
                             "length_mm": 60, "width_mm": 60, "depth_mm": 1.0}]},
        "kit": {"tabs": ["round-25"], "tips": ["ball-12"]}}
BLOWS = tuple((Blow("ball", radius, 0.0, 0.0, -1.0),) for radius in (20.0, 35.0))


def carried_out(work: Workpiece, workers: int) -> dict[int, Reconstruction | None]:
    return dict(realised([(work, blows) for blows in BLOWS], lambda text: None, workers))


def test_worker_processes_give_the_same_dents_to_the_last_bit() -> None:
    work = make_workpiece(make_case(CASE))
    alone, shared = carried_out(work, 1), carried_out(work, 2)
    assert sorted(shared) == [0, 1]
    for k, made in alone.items():
        other = shared[k]
        assert made is not None
        assert other is not None
        assert made.rounds > 0
        assert np.array_equal(made.state.points, other.state.points)
        assert np.array_equal(made.state.displacement, other.state.displacement)
        assert made.match == other.match


def test_a_panel_that_the_case_alone_does_not_give_is_computed_here() -> None:
    """The larger elements of a search: no worker can build them from the case."""
    work = make_workpiece(make_case(CASE), coarser=1.5)
    alone, shared = carried_out(work, 1), carried_out(work, 2)
    for k, made in alone.items():
        other = shared[k]
        assert made is not None
        assert other is not None
        assert np.array_equal(made.state.points, other.state.points)
