"""A hammer's blow: what it brings is what the sheet receives and what is lost. Truth: EXACT.

Energy m v^2 / 2 of the hammer = work done on the sheet + energy lost at impact, and the share lost
is that of the masses that were at rest.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from struck_session import struck_session

from simkit.errors import InputError
from simkit.record.write import record_step, resume
from simkit.repair.hammers import blow_on
from simkit.repair.operations import Operation
from simkit.repair.passes import Spread
from simkit.repair.session import Session
from simkit.repair.spoken import read_operation, say_operation

CASE = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: curved
  radius_y_mm: 500
  length_x_mm: 160
  length_y_mm: 120
  thickness_mm: 0.8
  grade: DC04
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit:
  tabs: [round-25]
  tips: [ball-12]
  glue: {name: strong, tension_MPa: 20, shear_MPa: 20}
  lifters: [{name: mini, span_mm: 70, pad_mm: 12}]
  hammers: [{name: light, mass_g: 60}, {name: heavy, mass_g: 500},
            {name: slide, mass_g: 900, tool_g: 300}]
"""
TAP = Operation("tap-down", "ball-12", 38.0, 0.0, -9.0, hammer="light", speed_m_s=1.6)


@pytest.fixture(scope="module")
def dented(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return struck_session(tmp_path_factory.mktemp("case"), CASE)


@pytest.mark.parametrize("operation", [
    TAP, replace(TAP, kind="push", x_mm=0.0, goal_mm=9.0),
    Operation("pull", "round-25", 0.0, 0.0, 0.0, hammer="slide", drop_mm=20.0)])
def test_what_the_hammer_brings_is_received_or_lost(dented: Session, operation: Operation):
    done = dented.apply(operation)
    result, row = done.now.result, done.now.row
    assert result is not None
    assert row.outcome == "blow spent"
    hammer = next(h for h in dented.work.case.kit.hammers if h.name == operation.hammer)
    # g (m/s)^2 = mJ = N mm; a free fall by h: v^2 = 2 g h
    square = (operation.speed_m_s**2 if operation.speed_m_s is not None
              else 2.0 * 9.80665 * 1e-3 * operation.drop_mm)
    brought = 0.5 * hammer.mass_g * square
    assert result.put_in + row.impact_Nmm == pytest.approx(brought, rel=0.012)
    blow = blow_on(dented.work, dented.state, operation)
    rest = hammer.tool_g + blow.sheet_g
    assert row.impact_Nmm == pytest.approx(brought * rest / (hammer.mass_g + rest), rel=1e-9)
    assert abs(row.energy_error_pct) < 1.0
    assert "lost at impact" in row.reason


def test_a_heavy_hammer_loses_less_of_the_same_energy(dented: Session):
    light, heavy = (blow_on(dented.work, dented.state, replace(TAP, hammer=name, speed_m_s=speed))
                    for name, speed in (("light", 1.6), ("heavy", 1.6 * (60.0 / 500.0) ** 0.5)))
    assert light.received_mJ + light.lost_mJ == pytest.approx(heavy.received_mJ + heavy.lost_mJ)
    assert 0.0 < heavy.lost_mJ < 0.2 * light.lost_mJ
    assert light.sheet_g == heavy.sheet_g < 0.8e-3 * 160.0 * 120.0 * 7.85


def test_the_goal_does_not_stop_a_blow(dented: Session):
    """It only says where no blow is needed; a pass leaves such places out."""
    free = dented.apply(TAP).now
    goal = free.row.before_mm - 0.001
    aimed = dented.apply(replace(TAP, goal_mm=goal)).now
    assert aimed.row.outcome == "blow spent"
    assert aimed.row.released_mm == free.row.released_mm < goal
    past = dented.apply(replace(TAP, goal_mm=goal + 0.002)).now.row
    assert (past.outcome, past.impact_Nmm) == ("already past", 0.0)
    passed = dented.apply(replace(TAP, spread=Spread(12.0, 12.0))).now.row
    assert passed.touches == 2
    assert passed.impact_Nmm > free.row.impact_Nmm > 0.0


def test_a_blow_is_recorded_and_said(dented: Session, tmp_path: Path):
    done = dented.apply(TAP)
    record_step(tmp_path, dented)
    record_step(tmp_path, done)
    again = resume(tmp_path, dented.work, None)
    assert again is not None
    assert again.now.row.cells() == done.now.row.cells()
    assert read_operation(done.now.row.said) == TAP
    for text in ("tap-down ball-12 at 1,2 to 0 hammer light speed 0.8",
                 "pull round-25 at 1,2 to 0 hammer slide drop 20"):
        assert say_operation(read_operation(text)) == text


@pytest.mark.parametrize("operation", [
    replace(TAP, hammer="none"), replace(TAP, hammer=""), replace(TAP, speed_m_s=None),
    replace(TAP, drop_mm=20.0), replace(TAP, speed_m_s=-1.0), replace(TAP, energy_mJ=30.0),
    replace(TAP, force_N=30.0), replace(TAP, travel_mm=0.3),
    Operation("hold", "round-25", 0.0, 0.0, force_N=50.0, hammer="slide", drop_mm=20.0),
    Operation("pull", "round-25", 0.0, 0.0, lifter="mini", hammer="slide", drop_mm=20.0)])
def test_blows_that_cannot_be_are_refused_in_one_line(dented: Session, operation: Operation):
    with pytest.raises(InputError) as error:
        dented.apply(operation)
    assert "\n" not in str(error.value)
