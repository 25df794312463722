"""Promises: order statistics against their exact law, histories by weight, the command."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from small_study import CASE

from simkit.case import load_case
from simkit.cli.main import main
from simkit.errors import InputError
from simkit.study.promise import (
    at_least,
    coverage,
    drawn_case,
    drawn_history,
    read_off,
    runs_needed,
)


def test_the_next_case_keeps_the_promise_as_often_as_it_says() -> None:
    # exact for exchangeable values: P(next > k-th smallest) = 1 - k / (n + 1)
    rng = np.random.default_rng(5)
    for runs, share, exact in ((9, 0.8, 0.8), (12, 0.8, 1.0 - 2.0 / 13.0), (19, 0.95, 0.95)):
        kept = [rng.gamma(2.0) > at_least(rng.gamma(2.0, size=runs), share) for _ in range(6000)]
        assert np.mean(kept) == pytest.approx(exact, abs=0.016)


def test_too_few_runs_promise_nothing() -> None:
    assert [runs_needed(share) for share in (0.5, 0.8, 0.95)] == [1, 4, 19]
    assert np.isnan(at_least(np.arange(18.0), 0.95))
    assert at_least(np.arange(19.0), 0.95) == 0.0


def test_the_spread_of_the_coverage_is_beta_s() -> None:
    low, high = coverage(9, 0.8)  # Beta(8, 2), quantiles from its distribution by simulation
    draws = np.random.default_rng(2).beta(8, 2, 200_000)
    assert low == pytest.approx(np.quantile(draws, 0.05), abs=0.005)
    assert high == pytest.approx(np.quantile(draws, 0.95), abs=0.005)


def test_histories_are_drawn_by_their_weight(tmp_path: Path) -> None:
    ball = {"kind": "ball", "radius_mm": 20.0, "x_mm": 0.0, "y_mm": 0.0, "depth_mm": -1.0,
            "angle_deg": 0.0, "length_mm": 0.0, "width_mm": 0.0, "tilt_along_deg": 0.0,
            "tilt_across_deg": 0.0, "travel_mm": None}
    block = {**ball, "kind": "block", "radius_mm": 4.0}
    notes = {"plausible": [{"weight": 0.75, "blows": [ball]}, {"weight": 0.25, "blows": [block]}]}
    rng = np.random.default_rng(1)
    bodies = [drawn_history(notes, rng)[0]["body"] for _ in range(2000)]
    assert np.mean([body == "ball" for body in bodies]) == pytest.approx(0.75, abs=0.03)
    (tmp_path / "case.yaml").write_text(CASE)
    case = drawn_case(load_case(tmp_path / "case.yaml"), notes, 45.0, 0, 0)
    assert case.dent.blows[0].body in ("ball", "block")
    assert case.limits.minutes == 45.0


def test_a_body_turned_past_half_a_turn_is_a_case(tmp_path: Path) -> None:
    bar = {"kind": "cylinder", "radius_mm": 10.0, "x_mm": 0.0, "y_mm": 0.0, "depth_mm": -1.0,
           "angle_deg": 180.21, "length_mm": 50.0, "width_mm": 0.0, "tilt_along_deg": 0.0,
           "tilt_across_deg": 0.0, "travel_mm": None}
    (tmp_path / "case.yaml").write_text(CASE)
    case = drawn_case(load_case(tmp_path / "case.yaml"),
                      {"plausible": [{"weight": 1.0, "blows": [bar]}]}, 45.0, 0, 0)
    assert case.dent.blows[0].angle_deg == pytest.approx(-179.79)


def test_without_any_history_nothing_is_promised(tmp_path: Path) -> None:
    i, j = CASE.index("dent:"), CASE.index("kit:")
    (tmp_path / "case.yaml").write_text(CASE[:i] + CASE[j:])
    with pytest.raises(InputError, match="no history"):
        drawn_case(load_case(tmp_path / "case.yaml"), {}, 45.0, 0, 0)


def finished(folder: Path, status: str, improvement_pct: float) -> Path:
    """The record of a run of one step of ten minutes, as promises read it."""
    (folder / "run").mkdir(parents=True)
    (folder / "result.json").write_text(json.dumps({
        "format": 1, "status": status, "row": {"minutes_bulk": "10"}}))
    (folder / "run" / "steps.csv").write_text(
        f"step,minutes,improvement_pct\n0,0,0\n1,10,{improvement_pct}\n")
    return folder


def test_a_panel_that_cannot_be_dented_so_does_not_count(tmp_path: Path) -> None:
    places = [finished(tmp_path / f"{k}", *one) for k, one in enumerate((
        ("done", 80.0), ("not matched", 0.0), ("done", 60.0), ("not converged", 20.0)))]
    found = read_off(places, 30.0)
    assert (found.runs, found.left_out) == (3, 1)
    # a run that failed while it was repaired counts with what it had reached
    assert sorted(found.curves[:, -1]) == [20.0, 60.0, 80.0]
    assert "1 more drawn panels were left out" in found.sentences()[-1]


def test_the_command_says_what_it_can_and_draws_it(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.yaml").write_text(CASE)
    out = tmp_path / "out"
    assert main(["promise", str(tmp_path / "case.yaml"), "--minutes", "20", "--runs", "4",
                 "--strategy", "centre-first", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "in 80% of cases within 20 minutes" in said
    assert "nothing can be said from 4 runs" in said
    assert (out / "promise.png").stat().st_size > 8000
    with open(out / "promise.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 61
    assert float(rows[-1]["at_least_80_pct"]) <= float(rows[-1]["at_least_50_pct"])
