"""The strategies that come with simkit."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.errors import InputError, nearest
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.strategy.choice import Strategy, open_spots, operation_for


@dataclass(frozen=True)
class CentreFirst:
    """Pull the lows, the deepest first; tap highs down only when no low is left to work."""

    name: str = "centre-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        spots = open_spots(session)
        ordered = sorted(spots, key=lambda spot: spot.kind != "low")
        return operation_for(session, ordered[0]) if ordered else None


@dataclass(frozen=True)
class CrownFirst:
    """Tap the highs down, the highest first, and only then pull or push the lows."""

    name: str = "crown-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        spots = open_spots(session)
        ordered = sorted(spots, key=lambda spot: spot.kind != "high")
        return operation_for(session, ordered[0]) if ordered else None


@dataclass(frozen=True)
class WorstSpotFirst:
    """Always the spot that stands out most, low or high."""

    name: str = "worst-spot-first"

    def next(self, session: Session) -> Operation | None:
        """See :class:`simkit.strategy.choice.Strategy`."""
        spots = open_spots(session)
        return operation_for(session, spots[0]) if spots else None


BUILTIN: tuple[Strategy, ...] = (CentreFirst(), CrownFirst(), WorstSpotFirst())


def find_strategy(name: str) -> Strategy:
    """Strategy by name.

    Raises
    ------
    InputError : unknown name, with the near one.
    """
    for strategy in BUILTIN:
        if strategy.name == name:
            return strategy
    names = [strategy.name for strategy in BUILTIN]
    near = nearest(name, names)
    raise InputError(f"no strategy '{name}'",
                     f"did you mean '{near}'?" if near else "one of " + ", ".join(names),
                     key="strategy")
