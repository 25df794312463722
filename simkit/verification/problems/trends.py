"""Published trends of static denting: which sheet dents more. These checks are qualitative."""

from __future__ import annotations

from functools import cache

import numpy as np

from simkit.inspection.sampling import point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.tool.bodies import ball
from simkit.verification.problems.check import Check, Status, Truth

FORCE_N, THICKNESS_MM, BALL_MM, HALF_MM = 400.0, 0.76, 12.7, 150.0
PANEL = Curvature(2000.0, 1500.0)
SOURCE = ("Analysis of Quasi-Static Denting Behavior of Automotive Sheet Steels, SAE congress 1997 "
          "(abstract): 400 N on 0.76 mm: drawing quality 0.86 mm, baked bake-hardening steel about "
          "0.5 mm")


@cache
def dent_mm(grade: str) -> float:
    """Depth left by a ball pressed on a curved panel with 400 N, mm; NaN if this force is not
    reached."""
    side = (-HALF_MM, HALF_MM)
    patch = rectangle_patch(side, side, PANEL, 5.0, 25.0, window=Window(-40.0, 40.0, -40.0, 40.0))
    model = build_model(patch, load_grade(grade).sheet(), THICKNESS_MM, dict.fromkeys(SIDES, HELD))
    start = model.virgin()
    place, normal = point_on(model, start, 0.0, 0.0)
    # A travel of 40 mm is never reached: the force ends the operation.
    tip = set_tip(model, start, ball(BALL_MM), place, -normal, 40.0)
    done = advance(model, start, Load(tip, 40.0, FORCE_N), AdvanceSettings(largest_mm=0.25))
    if done.outcome is not Outcome.FORCE_LIMIT:
        return float("nan")
    return -probe_at(model, 0.0, 0.0).read(done.state.displacement)


def denting_at_400_N() -> list[Check]:
    """Ratio of the dents of drawing-quality and bake-hardening steel, and the effect of baking.

    The abstract of the source does not describe panel and indenter. Therefore only ratios are
    compared, each within a factor of two.
    """
    mild, baked, fresh = (dent_mm(name) for name in ("DC04", "HC180B-baked", "HC180B"))
    pairs = (("drawing quality / baked bake-hardening steel", 0.86 / 0.5, mild / baked, SOURCE),
             ("bake-hardening steel, baking ignored / not", 1.5 / 0.5, fresh / baked,
              "the same: about 1.5 mm instead of 0.5 mm without forming and baking"))
    return [Check(name, f"dents {found:.2f} : 1, published {wanted:.2f} : 1, log2 of their ratio",
                  0.0, float(np.log2(found / wanted)), 100.0, Truth.TREND, source, Status.SEEN,
                  1.0) for name, wanted, found, source in pairs]
