"""Held tools: names, places, and checks of operations that involve them."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from simkit.errors import InputError, nearest
from simkit.mechanics.contact.holding import Hold
from simkit.mechanics.model import State
from simkit.mechanics.standing import WAYS


class Asked(Protocol):
    """The attributes of an operation that are used here."""

    @property
    def tool(self) -> str:
        """Name of the tool."""

    @property
    def x_mm(self) -> float:
        """Place."""

    @property
    def y_mm(self) -> float:
        """Place."""

    @property
    def force_N(self) -> float | None:
        """Force of a hold."""

    @property
    def way(self) -> str:
        """How the tool is held."""

    @property
    def stiffness_N_per_mm(self) -> float:
        """Stiffness of a springy hold."""


def check_hold(asked: Asked, glued: bool) -> Hold:
    """How the tool is held; raises InputError for an impossible hold."""
    if asked.force_N is not None and not 0.0 < asked.force_N < np.inf:
        raise InputError(f"hold with {asked.force_N:g} N", "a positive force", key="force_N")
    if asked.way not in WAYS:
        raise InputError(f"hold '{asked.way}'", "one of " + ", ".join(WAYS), key="way")
    if asked.way == "springy" and not 0.0 < asked.stiffness_N_per_mm < np.inf:
        raise InputError(f"springy hold of {asked.stiffness_N_per_mm:g} N/mm",
                         "a positive stiffness", key="stiffness_N_per_mm")
    if asked.way == "springy" and not glued:
        raise InputError("springy hold of a tip from behind", "following or locked, or a tab",
                         key="way")
    return Hold(asked.tool, asked.x_mm, asked.y_mm, 0.0, asked.way, asked.stiffness_N_per_mm)


def places_held(state: State) -> list[tuple[float, float]]:
    """Places (x, y) of the held tools, mm."""
    return [(held.x_mm, held.y_mm) for held in state.standing]


def free_name(state: State, name: str) -> str:
    """The name, followed by a number if a tool of that name is held already."""
    taken = {held.name for held in state.standing}
    number, found = 2, name
    while found in taken:
        found, number = f"{name} ({number})", number + 1
    return found


def names_held(state: State, name: str) -> tuple[str, ...]:
    """Names to let down: the given one, or all; raises InputError if nothing is held under it."""
    names = tuple(held.name for held in state.standing)
    if not names:
        raise InputError("let-down, but nothing is held", "a hold before it", key="kind")
    if not name:
        return names
    if name not in names:
        near = nearest(name, names)
        raise InputError(f"let-down of '{name}', which is not held",
                         f"'{near}'" if near else "one of " + ", ".join(names), key="tool")
    return (name,)


def refuse_covered(state: State, x_mm: float, y_mm: float) -> None:
    """Raise InputError for a place on the outer face that a held tab covers."""
    for held in state.standing:
        circle = held.covers(x_mm, y_mm)
        if circle is not None:
            x, y, radius = circle
            raise InputError(f"x {x_mm:g} mm, y {y_mm:g} mm lies under '{held.name}', held there",
                             f"a place more than {radius:g} mm from x {x:g} mm, "
                             f"y {y:g} mm, or let it down first", key="x_mm")
