"""Strike and pull a small panel, so that the kernels of sheet, contact and glue are compiled.

`simkit.mechanics.compiling` runs this module in a second process. Its linear solver is superlu,
which needs no kernels.
"""

from __future__ import annotations

import numpy as np

from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import Advance, advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.tool.bodies import ball
from simkit.tool.catalogue import find_glue, find_tab

SIDE = (-160.0, 160.0)
ELEMENT_MM, THICKNESS_MM, LAYERS = 20.0, 0.75, 3


def main() -> Advance:
    """Press a ball in by 1 mm, pull half of it out."""
    patch = rectangle_patch(SIDE, SIDE, Curvature(1200.0, 600.0), ELEMENT_MM, ELEMENT_MM)
    model = build_model(patch, load_grade("DC04").sheet(), THICKNESS_MM,
                        dict.fromkeys(SIDES, HELD), LAYERS, solver="superlu")
    u, v, _ = patch.locate(np.zeros(1), np.zeros(1))
    at, normal = patch.points(u, v)[0], patch.normals(u, v)[0]
    virgin = model.virgin()
    tip = set_tip(model, virgin, ball(25.0), at, -normal, 1.0)
    struck = advance(model, virgin, Load(tip, 1.0), AdvanceSettings()).state
    tab = glue_tab(model, struck, find_tab("round-30"), find_glue("standard-hot-melt"), at, normal)
    return advance(model, struck, Load(tab, 0.5), AdvanceSettings())


if __name__ == "__main__":
    main()
