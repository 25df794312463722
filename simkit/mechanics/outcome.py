"""Outcomes as values: how an operation ended, and what to try next."""

from __future__ import annotations

from enum import Enum


class Outcome(Enum):
    """How a step ended; ``advice`` is one sentence for the user."""

    REACHED = "reached"
    FORCE_LIMIT = "force limit"
    TRAVEL_LIMIT = "travel limit"
    STRAIN_LIMIT = "strain limit"
    BLOW_SPENT = "blow spent"
    GLUE_LET_GO = "glue let go"
    WOULD_SNAP = "would snap"
    ALREADY_PAST = "already past"
    NOTHING_HELD = "nothing held"
    CARRIED_OVER = "carried over"
    NO_CONVERGENCE = "did not converge"
    BOOKS_OFF = "energy does not balance"

    @classmethod
    def _missing_(cls, value: object) -> Outcome | None:
        """The outcome by a word that older run folders hold."""
        return cls.BOOKS_OFF if value == "books do not balance" else None

    @classmethod
    def idle_words(cls) -> frozenset[str]:
        """The words of the outcomes after which nothing was done."""
        return frozenset(outcome.value for outcome in cls if outcome.idle)

    @property
    def advice(self) -> str:
        """What to try next."""
        return _ADVICE[self]

    @property
    def idle(self) -> bool:
        """Whether nothing was done to the panel: no minutes, and no step is counted."""
        return self in (Outcome.ALREADY_PAST, Outcome.NOTHING_HELD, Outcome.CARRIED_OVER)

    @property
    def valid(self) -> bool:
        """Whether the state after it may be used."""
        return self not in (Outcome.NO_CONVERGENCE, Outcome.BOOKS_OFF)


_ADVICE = {
    Outcome.REACHED: "The spot is predicted to sit at its target once released.",
    Outcome.FORCE_LIMIT: "The force allowed was reached first; release what holds the spot (crown,"
                         " brace) or allow more force.",
    Outcome.TRAVEL_LIMIT: "The travel allowed was used up first; allow more travel or use a"
                          " smaller tool.",
    Outcome.STRAIN_LIMIT: "The strain allowed was reached first; use a wider tool or work from"
                          " the edge inwards.",
    Outcome.BLOW_SPENT: "The blow had no energy left; strike again, or harder.",
    Outcome.GLUE_LET_GO: "The glue let go first; use a larger tab or a stronger glue, or release"
                         " the crown before pulling.",
    Outcome.WOULD_SNAP: "A little further and the released sheet would snap past its target to the"
                        " other side, so the tool stopped before that; the metal there is"
                        " stretched: work its surroundings first.",
    Outcome.ALREADY_PAST: "The place is beyond that height already, so nothing was done; work it"
                          " from the other side, or ask for a height beyond the present one.",
    Outcome.NOTHING_HELD: "The hold before it did not hold, so there was nothing to let down; hold"
                          " with less force, a larger tab or a stronger glue.",
    Outcome.CARRIED_OVER: "The repair goes on with smaller elements; the heights changed by what"
                          " the larger ones had held back.",
    Outcome.NO_CONVERGENCE: "No equilibrium was found and the panel is left as it was; use a finer"
                            " mesh or a smaller step.",
    Outcome.BOOKS_OFF: "The work of the tool and the energy of the sheet differ too much, so the"
                       " shape cannot be trusted and the panel is left as it was; use a finer mesh"
                       " or smaller increments, or go less far in one operation.",
}
