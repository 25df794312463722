"""A pass: many light touches of one tool, counted as one step.

They lie along a line or over an area and have one height, or at chosen places, each with its own
height. Each touch is a complete operation on the panel after the touches before it. A place that is
beyond its height already is left out, as a technician would do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from simkit.errors import InputError
from simkit.mechanics.model import State
from simkit.mechanics.outcome import Outcome
from simkit.mechanics.stepping.orders import Advance
from simkit.underway import doing

MOST_TOUCHES = 400
"""Largest number of touches of one pass along a line or over an area."""
MOST_CHOSEN = 24
"""Largest number of touches of one pass at chosen places."""
Place = tuple[float, float, float]
"""Place of a touch and the height at which it ends: x, y, d, mm."""
Touch = Callable[[State, Place], Advance]


@dataclass(frozen=True)
class Spread:
    """Places of the touches of a pass: rows along the operation's direction, centred on its place.

    Attributes
    ----------
    length_mm : length of the rows; width_mm : distance of the outer rows, zero for a line.
    spacing_mm : largest distance of neighbours, along a row and between rows.
    rounds : number of times that all places are touched.
    """

    length_mm: float
    spacing_mm: float
    width_mm: float = 0.0
    rounds: int = 1

    def __post_init__(self) -> None:
        for key in ("length_mm", "spacing_mm"):
            if not 0.0 < getattr(self, key) < math.inf:
                raise InputError(f"pass with {key} {getattr(self, key):g}", "a positive number",
                                 key=key)
        if not 0.0 <= self.width_mm < math.inf:
            raise InputError(f"pass with width_mm {self.width_mm:g}", "zero or more",
                             key="width_mm")
        if self.rounds < 1:
            raise InputError(f"pass of {self.rounds} rounds", "one or more", key="rounds")
        if self.count > MOST_TOUCHES:
            raise InputError(f"pass of {self.count} touches",
                             f"at most {MOST_TOUCHES}: a wider spacing, "
                             "a smaller area or fewer rounds", key="spacing_mm")

    @property
    def grid(self) -> tuple[int, int]:
        """Number of touches along a row, and number of rows."""
        return (_count(self.length_mm, self.spacing_mm), _count(self.width_mm, self.spacing_mm))

    @property
    def count(self) -> int:
        """Number of all touches."""
        return self.grid[0] * self.grid[1] * self.rounds

    def places(self, x_mm: float, y_mm: float, angle_deg: float) -> list[tuple[float, float]]:
        """Places in the order of touching: row by row in alternating direction, round by round."""
        along, rows = self.grid
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        found = []
        for row in range(rows):
            v = _at(row, rows, self.width_mm)
            one = [_at(k, along, self.length_mm) for k in range(along)]
            for u in (one if row % 2 == 0 else one[::-1]):
                found.append((round(x_mm + u * c - v * s, 6), round(y_mm + u * s + v * c, 6)))
        return found * self.rounds


def _count(length: float, spacing: float) -> int:
    # one more point than intervals; 1e-9 absorbs the rounding error of an exact division
    return math.ceil(length / spacing - 1e-9) + 1


def _at(number: int, count: int, length: float) -> float:
    return 0.0 if count == 1 else length * (number / (count - 1) - 0.5)


def check_chosen(further: Sequence[Place]) -> None:
    """Raise InputError for further touches at chosen places that are too many or no numbers."""
    if len(further) >= MOST_CHOSEN:
        raise InputError(f"pass of {len(further) + 1} touches at chosen places",
                         f"at most {MOST_CHOSEN}", key="and")
    if not all(len(one) == 3 and all(map(math.isfinite, one)) for one in further):
        raise InputError("a touch that is not at three finite numbers", "x, y and height, mm",
                         key="and")


def touch_by_touch(state: State, places: Sequence[Place], touch: Touch) -> Advance:
    """All touches of a pass, one after the other, as one result.

    A touch that finds no equilibrium is left out; one after which the sheet would snap past its
    goal ends the pass. Work and energies are sums; force and travel are the largest values.
    """
    done: list[Advance] = []
    lost = passed = 0
    ended = ""
    for number, place in enumerate(places, start=1):
        with doing(f"touch {number} of {len(places)}"):
            one = touch(state, place)
        if not one.outcome.valid:
            lost += 1
            continue
        if not one.path:
            passed += 1
            continue
        done.append(one)
        state = one.state
        if one.outcome is Outcome.WOULD_SNAP:
            ended = f"; ended at touch {number}: {one.reason}"
            break
    reason = f"{len(done)} of {len(places)} touches"
    reason += f", {passed} places beyond the goal already" if passed else ""
    reason += f", {lost} without an equilibrium left out" if lost else ""
    if not done:
        outcome = Outcome.NO_CONVERGENCE if lost else Outcome.ALREADY_PAST
        return Advance(state, outcome, reason, (), touches=0)
    return replace(
        _sum_of(done), state=state, reason=reason + ended,
        outcome=Outcome.WOULD_SNAP if ended else Outcome.REACHED)


def _sum_of(done: list[Advance]) -> Advance:
    """The energies and the path of several operations as one result."""
    total = {name: sum(getattr(one, name) for one in done)
             for name in ("work", "stored", "plastic", "drag", "standing", "put_in", "iterations",
                          "cuts", "glue", "impact")}
    return replace(
        done[-1], **total, touches=len(done), path=tuple(p for one in done for p in one.path),
        force_N=max(one.force_N for one in done), travel_mm=max(one.travel_mm for one in done),
        snapped=any(one.snapped for one in done))
