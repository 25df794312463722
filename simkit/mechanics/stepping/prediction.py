"""Release prediction during loading: elastic where that is reliable, else by a real release."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.mechanics.contact.engagement import Engagement
from simkit.mechanics.stepping import parting
from simkit.mechanics.stepping.forecast import (
    PREDICTION_RESIDUAL_SHARE,
    WATCHED_RESIDUAL_SHARE,
    ReleaseForecast,
)
from simkit.mechanics.stepping.letdown import fade_standing
from simkit.mechanics.stepping.process import Equilibrium, Process
from simkit.mechanics.stepping.release import release_tool

Array = NDArray[np.float64]
DOUBTFUL_WAY_MM = 3.0
"""Largest displacement from the loaded to the predicted free shape for which no real release is
tried. Above it the sheet may have two free shapes, and the prediction may be the wrong one."""
DOUBTFUL_WAY_GROWTH = 1.3
"""Growth of that displacement since the last real release above which another one is tried."""


class ReleasePrediction:
    """Free shapes predicted for loaded ones; used by one operation only.

    Following the free shape is cheap but stays on its branch of equilibria. If the released sheet
    comes to rest on another branch, the prediction is wrong. A real release is therefore computed
    where the loaded shape is far from the predicted one, or always (``led``).

    Attributes
    ----------
    led : whether every prediction is a real release.
    sure : whether the last prediction was one.
    seen : last equilibrium and the free shape predicted for it.
    """

    def __init__(self, process: Process, begin: Equilibrium, everything_off: bool) -> None:
        self.process, self.everything_off, self.led = process, everything_off, False
        self.count = process.model.layout.count
        self.forecast = ReleaseForecast(process, begin.x[: self.count], everything_off)
        self.seen: tuple[Equilibrium, Array] | None = None
        self.sure = False
        self._agreed_mm = 0.0
        # finer goals need a finer prediction
        self._watched = max(PREDICTION_RESIDUAL_SHARE, WATCHED_RESIDUAL_SHARE * min(
            1.0, process.settings.goal_tolerance_mm / 0.01))

    def behind(self, point: Equilibrium) -> Array | None:
        """Equations of the free shape predicted for this equilibrium; None if there is none."""
        return self.seen[1] if self.seen is not None and self.seen[0] is point else None

    def doubtful(self, point: Equilibrium) -> bool:
        """Whether the predicted shape is so far away that a real release must confirm it."""
        return self._way(point, self.forecast.free) > max(DOUBTFUL_WAY_MM, DOUBTFUL_WAY_GROWTH
                                                           * self._agreed_mm)

    def look(self, point: Equilibrium, tool: Engagement) -> Array | None:
        """Predict the free shape of an equilibrium (equations); None if none is found.

        Afterwards ``sure`` tells whether it comes from a real release.
        """
        free = None if self.led else self.forecast.follow(point, self._watched)
        self.sure = free is None or self.doubtful(point)
        if self.sure:
            free = self._try(point, tool)
        if free is not None:
            self.seen = (point, free)
        return free

    def follow(self, point: Equilibrium) -> Array | None:
        """The free shape without a real release; None if it would have to be confirmed by one."""
        if self.led and self.behind(point) is None:
            return None
        free = self.forecast.follow(point)
        return None if free is None or self.doubtful(point) else free

    def _way(self, point: Equilibrium, free: Array) -> float:
        """Largest displacement from a loaded to a free shape, mm."""
        return float(np.abs(point.x[: self.count] - free).max(initial=0.0))

    def _try(self, point: Equilibrium, tool: Engagement) -> Array | None:
        """A real release of a copy; the operation itself goes on unchanged."""
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
