"""Orders of work on a struck bowl: what follows from the heights that an independent code finds.

Reference: simkit/verification/problems/data/reference_fe/crown_sequences.csv, CalculiX with decks
of our own (benchmarks/crown_sequences_peer.py). The heights themselves are checked by
tests/published, problem crown-sequences.
"""

from __future__ import annotations

import pytest

from simkit.verification.problems.crown_sequences import (
    PULLS_N,
    STEEP,
    WIDE,
    Worked,
    reference_rows,
)

SEQUENCES = ("pull", "ring, pull", "held, ring")


def by_peer(bowl: str, force_N: float) -> dict[str, float]:
    """Height of the centre at the end of each sequence that came to its end, mm."""
    return {row["sequence"]: float(row["centre_mm"]) for row in reference_rows()
            if row["bowl"] == bowl and float(row["force_N"]) == force_N and row["stage"] == "free"}


@pytest.mark.parametrize(("bowl", "force_N"), [(WIDE, 150.0), (STEEP, 600.0)],
                         ids=lambda at: at.blow.name if hasattr(at, "blow") else f"{at:g} N")
def test_same_order_of_the_sequences_as_the_other_code(bowl, force_N):
    wanted, worked = by_peer(bowl.blow.name, force_N), Worked(bowl, 5.0)
    assert set(wanted) == set(SEQUENCES)
    found = {name: list(worked.follow(name, force_N))[-1].centre_mm for name in SEQUENCES}
    depth = abs(wanted["pull"])
    for one in SEQUENCES:
        for other in SEQUENCES:
            gap = wanted[one] - wanted[other]
            if abs(gap) > 0.02 * depth:  # closer ones are within the codes' difference
                assert (found[one] - found[other]) * gap > 0.0, (one, other)


def test_only_the_larger_held_force_lets_the_wide_bowl_out_under_the_ring():
    small, large = PULLS_N[WIDE.blow.name]
    worked = Worked(WIDE, 5.0)
    assert not any(stage.snapped for stage in worked.follow("held, ring", small))
    assert any(stage.snapped for stage in worked.follow("held, ring", large))
    # where the other code finds no equilibrium any more, its table has no free shape
    assert "held, ring" in by_peer(WIDE.blow.name, small)
    assert "held, ring" not in by_peer(WIDE.blow.name, large)
