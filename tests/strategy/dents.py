"""A dent of our own, struck by a ball, small enough to be worked within seconds; invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simkit.case import Case, make_case
from simkit.history.strike import Blow, strike
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece


def case_with(folder: Path | str = ".", **blocks: Any) -> Case:
    """The case with some blocks replaced."""
    data: dict[str, Any] = {
        "title": "Struck", "about": "Invented for the tests.",
        "panel": {"surface": "curved", "length_x_mm": 220, "length_y_mm": 180,
                  "radius_x_mm": 900, "radius_y_mm": 700, "thickness_mm": 0.75, "grade": "DC04"},
        "mesh": {"fine_mm": 9, "coarse_mm": 40, "layers": 3},
        "dent": {"shapes": ({"kind": "bowl", "x_mm": 5, "y_mm": 0, "length_mm": 60,
                             "width_mm": 60, "depth_mm": 1.2},)},
        "kit": {"tabs": ("round-20",), "tips": ("ball-12", "ball-20")},
        **blocks}
    return make_case(data, folder)


def struck(case: Case) -> Session:
    """Step 0 of a panel struck by a ball."""
    work = make_workpiece(case)
    return open_session(work, strike(work, work.model.virgin(),
                                     Blow("ball", 30.0, 5.0, 0.0, -1.2)).state)


def crowned(depth_mm: float, mesh: float, **blocks: Any) -> Session:
    """Step 0 of a bowl with a crown in a panel that is held all round and open from outside only.
    """
    work = make_workpiece(make_case({
        "title": "Bowl with a crown", "about": "Invented for the tests.",
        "panel": {"surface": "curved", "length_x_mm": 240, "length_y_mm": 200, "radius_x_mm": 600,
                  "radius_y_mm": 400, "thickness_mm": 0.75, "grade": "DC04",
                  "edges": dict.fromkeys(("left", "right", "bottom", "top"), "held"),
                  "behind": {"reach": "none"}},
        "mesh": {"fine_mm": mesh, "coarse_mm": 2.0 * mesh, "layers": 3},
        "kit": {"tabs": ("round-25",), "tips": ("ball-12",)}, **blocks}))
    return open_session(work, strike(work, work.model.virgin(),
                                     Blow("ball", 25.0, 0.0, 0.0, -depth_mm)).state)
