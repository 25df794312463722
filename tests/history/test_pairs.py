"""Two balls behind one long low are found, and which came first.

Truth: a made-up panel whose answer is known in closed form: each ball leaves a Gaussian bowl, and a
later one takes a third off what an earlier one left where they overlap.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from simkit.history.pairs import pair_of_balls
from simkit.history.strike import Blow
from simkit.history.trials import Trial

X, Y = (a.ravel() for a in np.meshgrid(np.arange(-60.0, 61.0, 4.0), np.arange(-60.0, 61.0, 4.0)))


def left_by(blows: tuple[Blow, ...]) -> np.ndarray:
    d = np.zeros(X.size)
    for blow in blows:
        bowl = np.exp(-((X - blow.x_mm) ** 2 + (Y - blow.y_mm) ** 2) / (2.0 * 14.0**2))
        d = d * (1.0 - 0.35 * bowl) + bowl * (blow.depth_mm - 0.0)
    return d


@dataclass
class MadeUp:
    """What a search asks of trials."""

    wanted: np.ndarray
    done: list[Trial] = field(default_factory=list)
    x: np.ndarray = field(default_factory=lambda: X)
    y: np.ndarray = field(default_factory=lambda: Y)

    def attempt(self, *blows: Blow) -> Trial:
        d = left_by(blows)
        trial = Trial(blows, d, float(np.sqrt(np.mean((d - self.wanted) ** 2))))
        self.done.append(trial)
        return trial

    def slopes(self, trial: Trial) -> tuple[np.ndarray, np.ndarray]:
        step = 0.01
        moved = [tuple(Blow("ball", b.radius_mm, b.x_mm - dx, b.y_mm - dy, b.depth_mm)
                       for b in trial.blows) for dx, dy in ((step, 0.0), (0.0, step))]
        return tuple((left_by(blows) - trial.d_mm) / step for blows in moved)


@pytest.mark.parametrize("swapped", [False, True])
def test_a_pair_is_found_and_which_blow_came_first(swapped):
    true = (Blow("ball", 20.0, -17.0, 3.0, -1.4), Blow("ball", 20.0, 19.0, 9.0, -1.0))
    true = true[::-1] if swapped else true
    trials = MadeUp(left_by(true))
    found = pair_of_balls(trials, (1.0, 6.0), 8.0, 12.0, -1.4, 20.0)
    assert found.rms_mm < 0.02
    for one, other in zip(found.blows, true, strict=True):
        assert np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) < 2.0
    radii = {trial.blows[0].radius_mm for trial in trials.done}
    assert len(radii) == 3  # smaller and larger balls at the same places stay among the trials
