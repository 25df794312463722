"""Limits that end a loading besides its goal, and the travel left to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.mechanics.model import Model, largest_face_strain
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Load
from simkit.mechanics.stepping.process import Equilibrium

LIMIT_SHARE = 0.02
"""A limit counts as met if the quantity is within this share of its bound."""
SPENT_NEAR = 0.01
"""The same for the energy of a blow."""
JUMP_MM = 0.1
"""If the released place passes its goal by more than this within the shortest increment, the sheet
would snap."""


@dataclass(frozen=True)
class Limit:
    """A quantity that ends the loading when it reaches its bound.

    share = value / bound; the limit is met where share is within ``near`` of 1.
    """

    outcome: Outcome
    share: float
    reason: str
    near: float = LIMIT_SHARE


def limits_at(model: Model, load: Load, after: Equilibrium, strained: float,
              start_mm: float = np.nan) -> list[Limit]:
    """The limits of a load at an equilibrium.

    Before the operation, ``strained``: largest strain of a face, ``start_mm``: deviation of the
    place.
    """
    read = after.reading
    limits = [Limit(Outcome.FORCE_LIMIT, read.force_N / load.force_N,
                    f"force of {load.force_N:.4g} N reached")]
    if np.isfinite(load.face_strain):
        largest = largest_face_strain(model, after.state)
        # if the faces are strained beyond the limit already, allow 5 % more than that strain
        bound = max(load.face_strain, 1.05 * strained)
        limits.append(Limit(Outcome.STRAIN_LIMIT, largest / bound,
                            f"strain of a face of {bound:.3g} reached"))
    if np.isfinite(load.energy_Nmm):
        limits.append(Limit(Outcome.BLOW_SPENT, after.work / load.energy_Nmm,
                            f"blow of {load.energy_Nmm:.4g} mJ spent", SPENT_NEAR))
    if load.probe is not None and load.height_mm is not None:
        gone = load.probe.read(after.state.displacement) - start_mm
        limits.append(Limit(Outcome.REACHED, gone / (load.height_mm - start_mm),
                            f"height of {load.height_mm:+.2f} mm reached under load"))
    return limits


def goal_passed(load: Load, before_mm: float, predicted_mm: float, beyond_mm: float) -> Limit:
    """How the loading ends if the goal is passed within the shortest increment."""
    if beyond_mm < JUMP_MM or load.may_snap:
        return Limit(Outcome.REACHED, 1.0, "predicted release passes the goal")
    return Limit(Outcome.WOULD_SNAP, 1.0,
                 f"released, the place would spring from {before_mm:+.2f} to "
                 f"{predicted_mm:+.2f} mm")


class Approach:
    """Shares of the limits at all increments so far, and an estimate of the travel left."""

    def __init__(self) -> None:
        self._travel = [0.0]
        self._shares: list[dict[Outcome, float]] = [{}]

    def note(self, travel: float, limits: list[Limit]) -> None:
        """Add an increment."""
        self._travel.append(travel)
        self._shares.append({limit.outcome: limit.share for limit in limits})

    def back_to(self, increments: int) -> None:
        """Delete the increments after the first ``increments``."""
        del self._travel[increments + 1:], self._shares[increments + 1:]

    def share(self, outcome: Outcome) -> float:
        """Share of a limit at the last increment."""
        return self._shares[-1].get(outcome, 0.0)

    def way_left(self) -> float:
        """Travel from here to the first limit, extrapolated by parabolas through the last three
        increments; infinite if no limit is approached."""
        if len(self._travel) < 3:
            return np.inf
        t = np.array(self._travel[-3:]) - self._travel[-1]
        return min((_met(t, np.array([shares.get(outcome, 0.0) for shares in self._shares[-3:]]))
                    for outcome in self._shares[-1]), default=np.inf)


def _met(t: np.ndarray, share: np.ndarray) -> float:
    """First t > 0 at which the parabola through three points reaches 1 - LIMIT_SHARE / 2, the
    middle of the range that counts as met below the bound; infinite if it does not."""
    first, middle = (share[1] - share[0]) / (t[1] - t[0]), (share[2] - share[1]) / (t[2] - t[1])
    bend = (middle - first) / (t[2] - t[0])
    slope = middle + bend * (t[2] - t[1])
    gap = share[2] - (1.0 - 0.5 * LIMIT_SHARE)
    under = slope * slope - 4.0 * bend * gap
    if under < 0.0:
        return np.inf
    # stable form of the quadratic formula, without cancellation in one of the two roots
    q = -0.5 * (slope + np.copysign(np.sqrt(under), slope))
    roots = [top / bottom for top, bottom in ((q, bend), (gap, q)) if bottom != 0.0]
    return float(min((root for root in roots if root > 0.0), default=np.inf))
