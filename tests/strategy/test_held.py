"""The planner with two hands: where the pull is too weak, it holds, taps the crown and lets down.

Truth: OWN, the same model computed anew; that taps under a hold do what a pull alone does not is
compared with another finite element code in tests/reference_fe/test_crown_sequences.py.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from dents import crowned

from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.strategy.planner.held import HELD_SHARES, held_rounds
from simkit.strategy.planner.mind import Mind
from simkit.strategy.planner.planner import Planner
from simkit.strategy.planner.words import Choice, decide, words_of

LIMIT_N = 90.0


@pytest.fixture(scope="module")
def dented() -> Session:
    return crowned(4.0, mesh=12.0, limits={"steps": 12, "pull_force_N": LIMIT_N})


def test_rounds_differ_in_their_force_and_leave_nothing_held(dented: Session) -> None:
    rounds = list(held_rounds(dented, Mind()))
    assert len(rounds) == len(HELD_SHARES)
    for share, ((hold, loaded), (taps, _), (down, free)) in zip(HELD_SHARES, rounds, strict=True):
        assert [hold.kind, taps.kind, down.kind] == ["hold", "tap-down", "let-down"]
        assert hold.force_N == pytest.approx(share * LIMIT_N, rel=0.05)
        assert loaded.state.standing
        assert not free.state.standing


def test_the_planner_holds_where_the_pull_is_too_weak(dented: Session) -> None:
    planner, now = Planner(), dented
    kinds = []
    for _ in range(3):
        leg = planner.step(now)
        assert leg is not None
        kinds.append(leg.operation.kind)
        assert words_of(leg.operation) in leg.decision.why
        now = leg.after
    assert kinds == ["hold", "tap-down", "let-down"]
    assert not now.state.standing
    pulled = dented.apply(Operation("pull", "round-25", 0.0, 0.0))
    assert pulled.now.row.outcome == "force limit"
    assert now.now.row.left_mm2 < pulled.now.row.left_mm2


def test_a_hold_whose_plan_is_lost_is_let_down(dented: Session) -> None:
    """As in a run that was killed: a new planner finds a tool held."""
    held = dented.hold("round-25", 0.0, 0.0, 60.0)
    leg = Planner().step(held)
    assert leg is not None
    assert leg.operation.kind == "let-down"
    assert not leg.after.state.standing


def test_a_shaky_hand_taps_under_its_hold_as_planned(dented: Session) -> None:
    """The hold went 2 mm beside: the taps planned for it follow nevertheless, not the let-down."""
    planner = Planner()
    first = planner.step(dented)
    assert first is not None
    beside = dented.apply(replace(first.operation, x_mm=first.operation.x_mm + 2.0))
    second = planner.step(beside)
    assert second is not None
    assert second.operation.kind == "tap-down"


def test_a_panel_without_a_low_gets_no_round(dented: Session) -> None:
    flat = open_session(dented.work, dented.work.model.virgin())
    assert list(held_rounds(flat, Mind())) == []


def test_only_what_is_held_by_glue_has_a_tab_that_may_come_off(dented: Session) -> None:
    tap = Choice(Operation("tap-down", "ball-12", 0.0, 50.0), dented, 0.9, 0.9)
    for tool, falls_back in (("round-25", True), ("ball-12", False)):
        hold = Choice(Operation("hold", tool, 0.0, 0.0, force_N=60.0), dented, 0.5, 0.5)
        told = decide(dented, [hold, tap])
        assert told is not None
        assert told.fallback == (tap.operation if falls_back else None)
        assert ("if the tab comes off" in told.why) == falls_back
