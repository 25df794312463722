"""Influence fields: the change of the panel by an operation, per mm of change at its place.

After the main lift they can be added: the sum of four, each computed once, differs from the result
of the four operations by 1 to 4 % of the change. A field computed at one place is shifted to
another (error 20 to 30 % of the change) until it is computed there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.inspection.spots import SampledField
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.planner.yardstick import Yardstick

Array = NDArray[np.float64]
SAME_MM = 3.0
"""Largest distance at which an influence field is used without a shift."""
LEAST_MM = 0.008
"""Smallest change at the place from which an influence field is computed."""


@dataclass(frozen=True)
class Way:
    """Kind of operation, tool, and angle of a long tool."""

    kind: str
    tool: str
    angle_deg: float = 0.0

    @property
    def sign(self) -> float:
        """Direction in which it moves the sheet: outwards 1, inwards -1."""
        return -1.0 if self.kind == "tap-down" else 1.0


@dataclass(frozen=True)
class Influence:
    """Change (3, ny, nx) of height and slopes, over their limits, per mm of change at the place
    x_mm, y_mm of the operation."""

    x_mm: float
    y_mm: float
    change: Array


@dataclass
class Library:
    """Influence fields of one repair, as far as they are known."""

    yardstick: Yardstick
    known: dict[Way, list[Influence]] = field(default_factory=dict)
    _moved: dict[tuple[Way, float, float], Array] = field(default_factory=dict)

    def learn(self, operation: Operation, before: Session, after: Session) -> None:
        """Store the influence field of a computed operation."""
        row = after.now.row
        change = row.released_mm - row.before_mm
        way = Way(operation.kind, operation.tool, operation.angle_deg)
        # A small change is mostly error of equilibrium; a snap is not proportional to it.
        if change * way.sign < LEAST_MM or row.snapped:
            return
        old, new = before.now.field, after.now.field
        unit = np.where(new.on_panel, new.d_mm - old.d_mm, 0.0) / change
        # A new field replaces those computed at nearly the same place on an earlier panel.
        others = [one for one in self.known.get(way, [])
                  if np.hypot(one.x_mm - operation.x_mm, one.y_mm - operation.y_mm) > SAME_MM]
        change_of = self.yardstick.everywhere(SampledField(new.x_mm, new.y_mm, unit, new.valid))
        self.known[way] = [*others, Influence(operation.x_mm, operation.y_mm, change_of)]
        self._moved = {key: value for key, value in self._moved.items() if key[0] != way}

    def for_limits(self, yardstick: Yardstick) -> Library:
        """The same fields over the limits of another yardstick of the same workpiece."""
        old = self.yardstick
        scale = np.array([old.tolerance_mm / yardstick.tolerance_mm,
                          *2 * [old.limit_mrad / yardstick.limit_mrad]])[:, None, None]
        return Library(yardstick, {
            way: [Influence(one.x_mm, one.y_mm, one.change * scale) for one in known]
            for way, known in self.known.items()})

    def nearest(self, way: Way, x_mm: float, y_mm: float) -> Influence | None:
        """The influence field of a way computed nearest to a place."""
        return min(self.known.get(way, []), default=None,
                   key=lambda one: np.hypot(one.x_mm - x_mm, one.y_mm - y_mm))

    def parts(self, way: Way, x_mm: float, y_mm: float, like: SampledField) -> Array | None:
        """(3, n) influence at the yardstick's places, per mm; None if none is known."""
        key = (way, x_mm, y_mm)
        if key not in self._moved:
            near = self.nearest(way, x_mm, y_mm)
            if near is None:
                return None
            yard = self.yardstick
            if np.hypot(x_mm - near.x_mm, y_mm - near.y_mm) <= SAME_MM:
                self._moved[key] = near.change[:, yard.rows, yard.columns]
            else:
                step_x, step_y = like.step_mm
                self._moved[key] = _shifted(near.change, (yard.rows, yard.columns),
                                            (y_mm - near.y_mm) / step_y,
                                            (x_mm - near.x_mm) / step_x)
        return self._moved[key]


def _shifted(change: Array, places: tuple[NDArray[np.int64], NDArray[np.int64]],
             up: float, right: float) -> Array:
    """(3, n) values of (3, ny, nx) at grid points (rows, columns) after it has been moved by some
    grid steps up and right, by bilinear interpolation; 0 off the grid."""
    ny, nx = change.shape[1:]
    # the same fraction of a cell at all points
    whole_up, whole_right = math.floor(-up), math.floor(-right)
    part_up, part_right = -up - whole_up, -right - whole_right
    row, column = places[0] + whole_up, places[1] + whole_right
    inside = (row >= 0) & (row < ny - 1) & (column >= 0) & (column < nx - 1)
    at = np.where(inside, row * nx + column, 0)
    flat = change.reshape(3, -1)
    lower, upper = ((1.0 - part_right) * np.take(flat, at + one, axis=1)
                    + part_right * np.take(flat, at + one + 1, axis=1) for one in (0, nx))
    return np.asarray(np.where(inside, (1.0 - part_up) * lower + part_up * upper, 0.0))
