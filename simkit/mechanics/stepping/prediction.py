"""The shape after release while the tool still works: followed where it can be, else tried out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping import parting
from simkit.mechanics.stepping.forecast import ReleaseForecast
from simkit.mechanics.stepping.letdown import fade_standing
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import release_tool

Array = NDArray[np.float64]
DOUBTFUL_WAY_MM = 3.0
"""Way from the loaded to the predicted free shape from which a real release is tried: a sheet that
has two free shapes may have left for the other one."""
DOUBTFUL_WAY_GROWTH = 1.3
"""Growth of that way, since a real release last agreed, from which it is tried again."""


class ReleasePrediction:
    """Free shapes behind loaded ones (private to one operation).

    Following the free shape is cheap but stays on its branch: where the sheet, let go, comes to
    rest elsewhere, it foresees a shape that nothing leads to. So a real release leads where the
    loaded shape has gone far from the predicted one, or everywhere (``led``).
    """

    def __init__(self, process: Process, begin: Equilibrium, everything_off: bool) -> None:
        self.process, self.everything_off, self.led = process, everything_off, False
        self.count = process.model.layout.count
        self.forecast = ReleaseForecast(process, begin.x[: self.count], everything_off)
        self.seen: tuple[Equilibrium, Array] | None = None
        self.sure = False
        self._agreed_mm = 0.0

    def behind(self, point: Equilibrium) -> Array | None:
        """Equations of the free shape behind a point, if it was looked for."""
        return self.seen[1] if self.seen is not None and self.seen[0] is point else None

    def doubtful(self, point: Equilibrium) -> bool:
        """Whether the predicted shape is too far away to be believed."""
        return self._way(point, self.forecast.free) > max(DOUBTFUL_WAY_MM, DOUBTFUL_WAY_GROWTH
                                                           * self._agreed_mm)

    def look(self, point: Equilibrium, tool: Engagement) -> Array | None:
        """The free shape behind a point (equations), None where none is found.

        Afterwards ``sure`` says whether a real release told it.
        """
        free = None if self.led else self.forecast.follow(point)
        self.sure = free is None or self.doubtful(point)
        if self.sure:
            free = self._try(point, tool)
        if free is not None:
            self.seen = (point, free)
        return free

    def follow(self, point: Equilibrium) -> Array | None:
        """The free shape by following alone; None where it cannot be believed."""
        if self.led and self.behind(point) is None:
            return None
        free = self.forecast.follow(point)
        return None if free is None or self.doubtful(point) else free

    def _way(self, point: Equilibrium, free: Array) -> float:
        return float(np.abs(point.x[: self.count] - free).max(initial=0.0))

    def _try(self, point: Equilibrium, tool: Engagement) -> Array | None:
        """The real release, on the side."""
        aside = Process(self.process.model, self.process.settings, self.process.begin)
        aside.plastic = self.process.plastic
        released = release_tool(aside, point, parting.committed(aside, tool, point))
        if released is not None and self.everything_off:
            released = fade_standing(aside, released.point, released.point.state.standing)
        self.process.iterations += aside.iterations
        if released is None:
            return None
        free = released.point.x[: self.count]
        self.forecast = ReleaseForecast(self.process, free, self.everything_off)
        self._agreed_mm = self._way(point, free)
        return free
