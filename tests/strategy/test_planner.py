"""The planner: joint plans against sums done by hand, its choices against their own replays."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from dents import case_with, struck

from simkit.repair import trials
from simkit.repair.operations import Operation
from simkit.repair.session import Session
from simkit.repair.stages import excess
from simkit.strategy.planner.influence import Library, Way
from simkit.strategy.planner.joint import Pool, fit, joint_plan, left_of
from simkit.strategy.planner.planner import Planner
from simkit.strategy.planner.yardstick import make_yardstick
from simkit.study.run import record_decision


def bump(centre: float, width: float = 4.0) -> np.ndarray:
    """Heights of a bump along 60 places, no slopes."""
    at = np.arange(60.0)
    height = np.exp(-((at - centre) ** 2) / (2.0 * width**2))
    return np.stack([height, np.zeros(60), np.zeros(60)])


def test_a_joint_plan_finds_the_bumps_that_were_added_up() -> None:
    """Three far bumps make the field: three operations at their places take it away."""
    parts = -(2.0 * bump(10) + 3.0 * bump(30) - 2.5 * bump(50))
    places = np.arange(2.0, 60.0, 4.0)
    ways = [Way("push", "ball"), Way("tap-down", "ball")]
    pool = Pool(tuple(way for _ in places for way in ways), np.repeat(places, 2),
                np.zeros(2 * len(places)),
                np.array([bump(x) for x in places for _ in ways], dtype=np.float32))
    plan = joint_plan(parts, pool, 5.0, aim=0.5)
    assert plan.complete
    found = sorted((pool.x_mm[k], pool.ways[k].kind) for k in plan.candidates)
    assert found == [(10.0, "push"), (30.0, "push"), (50.0, "tap-down")]
    signs = [change * pool.ways[k].sign for k, change in
             zip(plan.candidates, plan.changes_mm, strict=True)]
    assert all(sign > 0.0 for sign in signs)


def test_a_fit_is_where_what_is_left_is_least() -> None:
    """One bump against one influence: left is max(|h - c| - aim, 0)^2, least at c from h - aim."""
    parts = -3.0 * bump(30)
    changes, left = fit(parts, bump(30)[None], np.array([0.1]), 5.0, 0.5)
    assert 2.5 - 1e-3 < changes[0] < 3.5 + 1e-3
    assert left == pytest.approx(0.0, abs=1e-5)
    assert left_of(parts, 0.5) == pytest.approx(
        float((np.maximum(3.0 * bump(30)[0] - 0.5, 0.0) ** 2).sum()))


def test_influence_fields_add_up_after_the_main_lift(lifted: Session) -> None:
    """Two taps 60 mm apart, each measured once: their sum misses what both leave by a few per cent
    of the change (a study with prototypes found 1 to 4)."""
    library = Library(make_yardstick(lifted.work, (0.1, 2.0)))
    sum_of = np.zeros_like(lifted.now.field.d_mm)
    session = lifted
    for x, y in ((40.0, 35.0), (-30.0, -30.0)):
        here = float(lifted.now.field.d_mm[np.argmin(abs(lifted.now.field.y_mm - y)),
                                           np.argmin(abs(lifted.now.field.x_mm - x))])
        alone = lifted.tap_down("ball-20", x, y, here - 0.08)
        sum_of += alone.now.field.d_mm - lifted.now.field.d_mm
        session = session.tap_down("ball-20", x, y, here - 0.08)
        library.learn(Operation("tap-down", "ball-20", x, y, here - 0.08), lifted, alone)
    total = session.now.field.d_mm - lifted.now.field.d_mm
    error = np.linalg.norm(sum_of - total) / np.linalg.norm(total)
    assert error < 0.1
    assert len(library.known[Way("tap-down", "ball-20")]) == 2


def test_the_second_best_leaves_what_the_planner_says(lifted: Session, tmp_path: Path) -> None:
    """Both the choice and the second best are carried out anew, on the real model."""
    planner = Planner()
    chosen = planner.next(lifted)
    decision = planner.decision
    assert chosen is not None
    assert decision is not None
    assert decision.second is not None
    goal = lifted.work.case.goal
    for operation, says in ((decision.operation, decision.excess_after),
                            (decision.second, decision.second_excess)):
        trials.forget()
        assert excess(goal, lifted.apply(operation).now.row) == says
        assert f"{says:.2f}" in decision.why
    record_decision(tmp_path, lifted, planner)
    with open(tmp_path / "plan.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["why"] for row in rows] == [decision.why]
    assert float(rows[0]["second_excess"]) == decision.second_excess


def test_the_planner_stops_at_its_goal() -> None:
    """A stage that is met from the beginning."""
    met = case_with(goal={"stage": "bulk", "stages": {"bulk": {"height_mm": 20.0}}})
    flat = struck(met)
    assert flat.now.row.flat
    assert Planner().next(flat) is None
