"""Candidates of a joint plan with their influence fields, and what they cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.strategy.planner.influence import Way
from simkit.tool.times import operation_minutes

Array = NDArray[np.float64]
FURTHER_SHARE = 0.3
"""Cost of a further touch of a way that the plan uses already, over that of its first: the touches
of one tool are one pass, and one step."""
TOUCHES_A_PASS = 12
"""Largest number of touches of one way that count as one step."""


@dataclass(frozen=True)
class Price:
    """Cost of candidates, in steps or minutes.

    each : (m,) cost of the first touch of a way; further : share of it for a further touch of the
    same way; entry : cost of the access from behind, once with the first push; usual : cost of a
    usual step.
    """

    each: Array
    further: float = FURTHER_SHARE
    entry: float = 0.0
    usual: float = 1.0

    @classmethod
    def of_steps(cls, count: int) -> Price:
        """One step for each of so many candidates."""
        return cls(np.ones(count))


def usual_minutes(times: Mapping[str, float]) -> float:
    """Minutes of a usual step: a push with a change of tool."""
    return operation_minutes("push", True, times)


@dataclass(frozen=True)
class Pool:
    """Candidates: ways and places, with their influence (m, 3, n) per mm outwards."""

    ways: tuple[Way, ...]
    x_mm: Array
    y_mm: Array
    influence: NDArray[np.float32]
    _kept: dict[str, NDArray[np.float32]] = field(default_factory=dict, repr=False, compare=False)

    def some(self, own: Sequence[int]) -> Pool:
        """Some of the candidates."""
        own = list(own)
        return Pool(tuple(self.ways[k] for k in own), self.x_mm[own], self.y_mm[own],
                    self.influence[own])

    def squared(self) -> NDArray[np.float32]:
        """(m, 3 n) squares of the influence, computed once."""
        if "squared" not in self._kept:
            self._kept["squared"] = self.influence.reshape(len(self.ways), -1) ** 2
        return self._kept["squared"]

    def alike(self, k: int) -> list[int]:
        """Candidates that can be touches of one pass with candidate k, which is no pull."""
        way = self.ways[k]
        return [] if way.kind == "pull" else [j for j, one in enumerate(self.ways) if one == way]

    def pushes(self, candidates: Sequence[int]) -> bool:
        """Whether one of the candidates is a push from behind."""
        return any(self.ways[k].kind == "push" for k in candidates)

    def cost_of(self, candidates: Sequence[int], price: Price | None = None
                ) -> tuple[int, float]:
        """Number of steps of a plan, the touches of one way being one pass, and their cost; one
        for each step if the price is None."""
        price = Price.of_steps(len(self.ways)) if price is None else price
        steps, total = 0, price.entry if self.pushes(candidates) else 0.0
        for way in dict.fromkeys(self.ways[k] for k in candidates):
            own = [k for k in candidates if self.ways[k] == way]
            passes = len(own) if way.kind == "pull" else -(-len(own) // TOUCHES_A_PASS)
            steps += passes
            total += float(price.each[own[0]]) * (
                passes + price.further * (len(own) - passes))
        return steps, total

    def signs(self) -> Array:
        """(m,) direction in which each moves the sheet."""
        return np.array([way.sign for way in self.ways])
