"""The stress nobody can see: bring the virgin panel to the measured depth field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.equilibrium.model import State
from simkit.repair.imprint import Progress, deviation_at_gauss, imprint
from simkit.repair.strike import StrikeFit, fit_strike, strike
from simkit.repair.workpiece import Workpiece

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Reconstruction:
    """A panel state whose released shape is the measured one.

    Attributes
    ----------
    state : plastic strain, hardening, residual stress and shape.
    method : strike, imprint, or virgin (no dent given).
    rms_mm, worst_mm : difference to the depth field inside the damage.
    matched : whether rms_mm is within what the case asks for.
    blow : the fitted strike (None for imprint); strike_rms_mm : its difference before the rest
        was closed; rounds : corrections made.
    """

    state: State
    method: str
    rms_mm: float = 0.0
    worst_mm: float = 0.0
    matched: bool = True
    blow: StrikeFit | None = None
    strike_rms_mm: float = float("nan")
    rounds: int = 0

    def sentence(self) -> str:
        """One line for people."""
        if self.method == "virgin":
            return "No dent given: the panel is virgin."
        text = f"Depth field matched to {self.rms_mm:.3f} mm rms ({self.worst_mm:.2f} mm at worst)"
        if self.blow is not None:
            blow = self.blow.blow
            text += (f" by a strike of a {blow.kind} of {blow.radius_mm:.0f} mm radius "
                     f"({self.strike_rms_mm:.2f} mm rms alone)")
        else:
            text += " by imprint alone, which spreads the plastic strain too widely"
        return text + ("." if self.matched else "; this is NOT the match that was asked for.")


def reconstruct(work: Workpiece, fit: Workpiece | None = None,
                progress: Progress = lambda text: None) -> Reconstruction:
    """Reconstruct the state behind the case's depth field.

    ``fit``: the same case on a coarser mesh, for the search of the strike.
    """
    model, history = work.model, work.case.history
    if work.depth is None:
        return Reconstruction(model.virgin(), "virgin")
    wanted, weight = _wanted(work)
    start, found = model.virgin(), None
    if history.method == "strike":
        found = fit_strike(fit or work, progress)
        if found is not None:
            result = strike(work, model.virgin(), found.blow)
            if result.outcome.valid:
                start = result.state
            else:
                found = None
    gap = (deviation_at_gauss(model, start) - wanted)[weight > 0.5]
    alone = float(np.sqrt(np.mean(gap**2)))
    closed = imprint(model, start, wanted, weight, history.match_mm, history.rounds, progress)
    return Reconstruction(
        closed.state, "imprint" if found is None else "strike", closed.rms_mm, closed.worst_mm,
        closed.rms_mm <= history.match_mm, found, alone, closed.rounds)


def _wanted(work: Workpiece) -> tuple[Array, Array]:
    """Measured deviation at the Gauss points and where it counts: 1 inside the fine window."""
    assert work.depth is not None
    place, w = work.model.geometry.place, work.window
    x, y = place[..., 0], place[..., 1]
    wanted = work.depth(x.ravel(), y.ravel()).reshape(x.shape)
    inside = (x >= w.x_from) & (x <= w.x_to) & (y >= w.y_from) & (y <= w.y_to)
    return wanted, inside.astype(float)
