"""Plates and a cap against independent axisymmetric finite elements.

Reference: simkit/verification/problems/data/reference_fe/README.md.

Limits are those of the project's aim: peak force 3 %, residual depth 2 %, crown 10 %, at elements
of 5 mm or finer; contact penetration below 0.01 mm; energy balance of the operation within 1 %.
Why the model is a sector is said in simkit/verification/problems/sector_fe.py. The whole table over
the mesh is printed by benchmarks/reference_fe.py.
"""

from __future__ import annotations

from functools import cache

import pytest

from simkit.verification.problems.sector_fe import (
    CAP,
    PLATE,
    Pressed,
    elastic_pressure,
    plastic_pressure,
    press,
)

BALLS = {"plate": PLATE, "cap": CAP}


@cache
def pressed(name: str, element_mm: float) -> Pressed:
    """One run a mesh, shared by the tests."""
    return press(BALLS[name], element_mm)


def errors(name: str, element_mm: float) -> dict[str, float]:
    """Size of the error by quantity, per cent."""
    return {row.quantity: abs(row.error_pct) for row in pressed(name, element_mm).rows()}


@pytest.mark.parametrize("name", BALLS)
@pytest.mark.parametrize("element_mm", [5.0, 2.5])
def test_ball_leaves_what_the_reference_leaves(name: str, element_mm: float) -> None:
    rows = pressed(name, element_mm).rows()
    judged = {row.quantity for row in rows if row.limit_pct is not None}
    assert {"peak force, N", "residual depth, mm"} <= judged
    assert ("crown height, mm" in judged) == (name == "cap")
    wrong = [row for row in rows if row.limit_pct is not None
             and abs(row.error_pct) > row.limit_pct]
    assert not wrong


@pytest.mark.parametrize("name", BALLS)
def test_error_falls_with_refinement(name: str) -> None:
    coarse, fine = errors(name, 5.0), errors(name, 2.5)
    for quantity in ("peak force, N", "residual depth, mm", "crown height, mm"):
        if quantity in coarse:
            assert fine[quantity] < coarse[quantity], quantity
    assert pressed(name, 2.5).profile_error_pct() < pressed(name, 5.0).profile_error_pct()


@pytest.mark.parametrize("name", BALLS)
def test_finest_mesh_differs_by_no_more_than_a_thin_shell_may(name: str) -> None:
    finest = errors(name, 1.25)
    for quantity in ("peak force, N", "residual depth, mm"):
        assert finest[quantity] < BALLS[name].shell_error_pct, quantity
    assert pressed(name, 1.25).profile_error_pct() < 1.0


@pytest.mark.parametrize("name", BALLS)
@pytest.mark.parametrize("element_mm", [5.0, 2.5])
def test_contact_is_shallow_and_energy_balances(name: str, element_mm: float) -> None:
    run = pressed(name, element_mm)
    assert 0.0 < run.penetration_mm < 0.01
    assert run.advance.energy_error_pct < 1.0


def test_elastic_plate_under_pressure() -> None:
    coarse, fine = elastic_pressure(10.0), elastic_pressure(5.0)
    assert len(fine) == 4
    for row in fine:
        assert abs(row.error_pct) < 1.0, row
    for rough, good in zip(coarse, fine, strict=True):
        assert abs(good.error_pct) < abs(rough.error_pct)


@pytest.mark.parametrize("element_mm", [5.0, 2.5])
def test_plastic_plate_under_pressure_and_released(element_mm: float) -> None:
    # the error grows to +0.9 % at 1.25 mm; a likely cause, not verified: the reference presses on
    # the outer face, which in the hollow is about 1 % smaller than the mid-surface loaded here
    rows = plastic_pressure(element_mm)
    assert len(rows) == 2
    for row in rows:
        assert abs(row.error_pct) < 2.0, row
