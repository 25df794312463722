"""Blows of a hammer of given mass: how fast it comes, and what of its energy the sheet receives."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simkit.errors import InputError
from simkit.inspection.sampling import probe_at
from simkit.mechanics.elastic import elastic_factors
from simkit.mechanics.impact import moving_mass_g, received_mJ, speed_of_drop
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Advance
from simkit.repair.rigging import pick
from simkit.repair.workpiece import Workpiece

if TYPE_CHECKING:
    from simkit.repair.operations import Operation


@dataclass(frozen=True)
class HammerBlow:
    """A blow: speed at impact (m/s), mass of the sheet that moves with the tool (g), energy that
    the sheet receives and energy lost at impact (mJ = N mm)."""

    speed_m_s: float
    sheet_g: float
    received_mJ: float
    lost_mJ: float

    def told(self, done: Advance) -> Advance:
        """The result of the operation with the energy lost at impact."""
        reason = done.reason
        if done.outcome is Outcome.BLOW_SPENT:
            reason += (f"; {self.lost_mJ:.3g} mJ lost at impact, "
                       f"{done.put_in - done.work:.3g} mJ given back")
        return replace(done, reason=reason, impact=self.lost_mJ if done.path else 0.0)


def check_blow(op: Operation) -> None:
    """Raise InputError for a hammer that this operation cannot have, or half a blow."""
    given = [key for key in ("speed_m_s", "drop_mm") if getattr(op, key) is not None]
    if not op.hammer:
        if given:
            raise InputError(f"{op.kind} with {given[0]} and no hammer", "a hammer of the kit",
                             key=given[0])
        return
    if op.kind not in ("tap-down", "push", "pull"):
        raise InputError(f"{op.kind} by a hammer", "a tap-down, a push or a pull", key="hammer")
    for key in ("lifter", "beam", "spreader"):
        if getattr(op, key):
            raise InputError(f"{op.kind} by a hammer and a {key}", "one of them", key="hammer")
    for key in ("energy_mJ", "force_N", "travel_mm"):
        if getattr(op, key) is not None:
            raise InputError(f"{op.kind} by a hammer with {key}",
                             "its speed or drop alone: nothing stops a blow but the sheet", key=key)
    if len(given) != 1:
        raise InputError(f"{op.kind} by a hammer with " + (" and ".join(given) or "no speed"),
                         "its speed at impact or the drop from rest", key="hammer")
    value = getattr(op, given[0])
    if not 0.0 < value < np.inf:
        raise InputError(f"{op.kind} by a hammer with {given[0]} {value:g}", "a positive number",
                         key=given[0])


def blow_on(work: Workpiece, state: State, op: Operation) -> HammerBlow:
    """The blow of an operation on the panel as it is.

    Raises
    ------
    InputError : a hammer that is not in the kit, a place off the panel.
    """
    hammer = pick(work.case.kit.hammers, op.hammer, "hammer")
    speed = op.speed_m_s if op.drop_mm is None else speed_of_drop(op.drop_mm)
    assert speed is not None
    probe = probe_at(work.model, op.x_mm, op.y_mm)
    nodal = np.zeros_like(work.model.patch.control)
    nodal[probe.nodes] = probe.weights
    factored = elastic_factors(work.model, state, "finger")
    # a panel about to snap has no stable shape to move in; its own mass then counts as none
    stable = factored is not None and not factored.negative_pivots
    sheet = moving_mass_g(work.model, nodal, factored) if factored and stable else 0.0
    return HammerBlow(speed, sheet, *received_mJ(hammer.mass_g, speed, hammer.tool_g, sheet))
