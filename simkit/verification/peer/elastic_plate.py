"""Check of the deck writer on a plate with a known solution: clamped square, small pressure.

Kirchhoff's theory gives w = 0.00126532 q a^4 / D in the middle (for the source of the number see
:func:`simkit.verification.problems.plates.small_square`). The solid also deforms in transverse
shear; this adds a share of the order of (t / a)^2, here below 0.001 %.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from simkit.mechanics.loads import AreaLoad
from simkit.mechanics.statics import solve_linear
from simkit.panel.edges import HELD
from simkit.panel.surface import Curvature
from simkit.verification.peer import decks
from simkit.verification.peer.ccx import run_deck
from simkit.verification.peer.pressed import held_quarter, middle_levels
from simkit.verification.peer.results import displacements
from simkit.verification.peer.solids import layered_panel
from simkit.verification.problems.check import elastic_sheet, stiffness
from simkit.verification.problems.plates import E_MPA, square_model

COEFFICIENT = 0.00126532
HALF_MM, THICKNESS_MM, NU = 160.0, 0.75, 0.3
PRESSURE_MPA = 1e-6


def exact_mm() -> float:
    """Deflection of the middle, mm."""
    bending = stiffness(E_MPA, NU, THICKNESS_MM)
    return COEFFICIENT * PRESSURE_MPA * (2.0 * HALF_MM) ** 4 / bending


def shell_mm(element_mm: float, degree: int = 2) -> float:
    """simkit's deflection with elements of equal size, mm."""
    model = square_model(HALF_MM, THICKNESS_MM, NU, (HELD, HELD), round(HALF_MM / element_mm),
                         degree)
    load = AreaLoad(np.array([0.0, 0.0, -PRESSURE_MPA]))
    return -float(solve_linear(model, load, np.zeros((1, 2))).displacement[0, 2])


def plate_deck(element_mm: float, layers: int, order: int) -> tuple[str, list[int]]:
    """The linear deck, and the node or two nodes nearest the mid-surface in the plate's middle."""
    breaks = np.linspace(0.0, HALF_MM, round(HALF_MM / element_mm) + 1)
    grid = layered_panel(breaks, breaks, Curvature(), THICKNESS_MM, layers, order)
    deck = decks.add_grid(decks.start_deck("clamped plate, uniform pressure"), grid, "PANEL",
                          "SHEET")
    deck += decks.material("SHEET", elastic_sheet("elastic", E_MPA, NU), plastic=False)
    deck += held_quarter(grid)
    middle = [int(grid.number[0, 0, k]) for k in middle_levels(grid)]
    deck += decks.numbered_set("NSET", "MIDDLE", np.array(middle))
    ii, jj = (a.ravel() for a in np.indices(grid.counts[:2]))
    deck += decks.numbered_set("ELSET", "TOP", grid.element(ii, jj, layers - 1))
    deck += decks.static_step(None, ["*DLOAD", f"TOP, P2, {PRESSURE_MPA:g}"],
                              decks.print_displacements("MIDDLE"))
    return deck.text(), middle


def solid_mm(element_mm: float, layers: int, order: int, folder: Path) -> float:
    """CalculiX's deflection.

    Raises
    ------
    ArithmeticError : the run did not finish.
    """
    text, middle = plate_deck(element_mm, layers, order)
    run = run_deck(text, folder, "plate")
    if not run.finished:
        raise ArithmeticError(f"CalculiX stopped on the elastic plate: {run.said}")
    moved = displacements(run.blocks, "MIDDLE", 1.0)
    return -float(np.mean([moved[node][2] for node in middle]))
