"""Input decks for CalculiX (keywords of its manual, version 2.20): panel, ball, steps."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.material.hardening import Sheet, TableLaw
from simkit.verification.peer.solids import HexGrid

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
KINDS = {1: "C3D8I", 2: "C3D20R"}
"""Eight nodes with incompatible modes; twenty nodes, reduced integration (2 x 2 x 2)."""


@dataclass(frozen=True)
class Increments:
    """Increments of a CalculiX step as shares of the step, and the largest number of them."""

    first: float = 0.05
    smallest: float = 1e-6
    largest: float = 0.1
    most: int = 2000


@dataclass(frozen=True)
class Deck:
    """An unfinished deck: the panel first, then further bodies, which continue the numbering."""

    lines: tuple[str, ...]
    nodes: int
    elements: int

    def __add__(self, more: Iterable[str]) -> Deck:
        return Deck((*self.lines, *more), self.nodes, self.elements)

    def text(self) -> str:
        """The whole deck."""
        return "\n".join(self.lines) + "\n"


def start_deck(title: str) -> Deck:
    """An empty deck."""
    return Deck(("*HEADING", title), 0, 0)


def add_grid(deck: Deck, grid: HexGrid, name: str, material: str) -> Deck:
    """Add nodes and elements of a grid, with numbers after those in the deck; also defines the sets
    NAME (elements) and NAME_N (nodes)."""
    nodes = np.arange(1, len(grid.place) + 1) + deck.nodes
    lines = [f"*NODE, NSET={name}_N"]
    lines += [f"{n}, {x:.10g}, {y:.10g}, {z:.10g}"
              for n, (x, y, z) in zip(nodes, grid.place, strict=True)]
    lines.append(f"*ELEMENT, TYPE={KINDS[grid.order]}, ELSET={name}")
    for n, row in enumerate(grid.elements + deck.nodes, deck.elements + 1):
        text = f"{n}, " + ", ".join(map(str, row[:8]))
        if grid.order == 2:
            text += ",\n" + ", ".join(map(str, row[8:]))
        lines.append(text)
    lines.append(f"*SOLID SECTION, ELSET={name}, MATERIAL={material}")
    return Deck((*deck.lines, *lines), deck.nodes + len(grid.place),
                deck.elements + len(grid.elements))


def numbered_set(kind: str, name: str, numbers: Ints) -> list[str]:
    """A node set (kind NSET) or element set (kind ELSET)."""
    lines = [f"*{kind}, {kind}={name}"]
    # 12 numbers on each line; CalculiX allows 16 (its manual; MEMORY).
    return lines + [", ".join(map(str, numbers[k:k + 12])) for k in range(0, len(numbers), 12)]


def material(name: str, sheet: Sheet, plastic: bool = True) -> list[str]:
    """Elastic constants and, for a sheet with a table, true stress over plastic strain.

    CalculiX interpolates linearly between the points and keeps the last stress after them, as
    simkit does.
    """
    lines = [f"*MATERIAL, NAME={name}", "*ELASTIC", f"{sheet.E_MPa:.10g}, {sheet.nu:.10g}"]
    if plastic:
        if not isinstance(sheet.hardening, TableLaw) or sheet.backstress:
            raise ValueError("only isotropic hardening by a table can be put into a deck")
        lines.append("*PLASTIC")
        law = sheet.hardening
        lines += [f"{s:.10g}, {e:.10g}" for e, s in zip(law.strain, law.stress_MPa, strict=True)]
    return lines


def face_surface(name: str, elements: Ints, face: int) -> list[str]:
    """Element faces as a surface; face 1 is c = 0, face 2 is c = 1 of a grid's element."""
    return [f"*SURFACE, NAME={name}, TYPE=ELEMENT", *(f"{e}, S{face}" for e in elements)]


def penalty_contact(slave: str, master: str, MPa_per_mm: float) -> list[str]:
    """Frictionless face-to-face penalty contact, linear in the penetration."""
    return ["*SURFACE INTERACTION, NAME=TOUCH",
            "*SURFACE BEHAVIOR, PRESSURE-OVERCLOSURE=LINEAR", f"{MPa_per_mm:.10g}",
            "*CONTACT PAIR, INTERACTION=TOUCH, TYPE=SURFACE TO SURFACE", f"{slave}, {master}"]


def fixed(name: str, axes: Iterable[int]) -> list[str]:
    """Zero displacements of a node set; axes 1 to 3."""
    return ["*BOUNDARY", *(f"{name}, {axis}, {axis}" for axis in axes)]


def static_step(increments: Increments | None, acting: list[str], prints: list[str]) -> list[str]:
    """A static step; with increments it is geometrically nonlinear, without it linear."""
    head = ["*STEP", "*STATIC"]
    if increments is not None:
        head = [f"*STEP, NLGEOM, INC={increments.most}", "*STATIC",
                f"{increments.first:g}, 1., {increments.smallest:g}, {increments.largest:g}"]
    return [*head, *acting, *prints, "*END STEP"]


def print_displacements(name: str) -> list[str]:
    """Displacements of a node set at every increment, into the .dat file.

    CalculiX has one output frequency for all tables of a step: that of the last request.
    """
    return [f"*NODE PRINT, NSET={name}", "U"]


def print_total_force(name: str) -> list[str]:
    """Sum of the reactions of a node set at every increment, into the .dat file."""
    return [f"*NODE PRINT, NSET={name}, TOTALS=ONLY", "RF"]
