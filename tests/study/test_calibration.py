"""Split conformal calibration: the share kept over many sets of blind dents is the one asked for.

The law is exact for exchangeable scores: P(kept) = k / (m + 1), k = ceil((m + 1) share), and the
share kept by one set of dents is Beta(k, m + 1 - k) (order statistics of uniform numbers).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simkit.study.calibration import calibrate, dents_needed, rank, stored_calibration


def drawn(random: np.random.Generator, dents: int) -> tuple[np.ndarray, np.ndarray]:
    """Promises that are ten per cent too high on average, and what was reached."""
    reached = random.uniform(20.0, 95.0, dents)
    return reached + 10.0 + 8.0 * random.standard_t(4, dents), reached


@pytest.mark.parametrize("dents", [9, 20, 50])
def test_calibrated_promises_are_kept_as_often_as_said(dents: int) -> None:
    random = np.random.default_rng(dents)
    kept = []
    for _ in range(1000):
        found = calibrate(*drawn(random, dents), 0.8)
        promised, reached = drawn(random, 1)
        kept.append(reached[0] >= found.corrected(promised[0]))
    exact = rank(dents, 0.8) / (dents + 1)
    assert np.mean(kept) == pytest.approx(exact, abs=3.0 * np.sqrt(0.8 * 0.2 / 1000))


def test_the_spread_of_the_share_is_that_of_order_statistics() -> None:
    random = np.random.default_rng(3)
    shares = []
    for _ in range(600):
        found = calibrate(*drawn(random, 20), 0.8)
        promised, reached = drawn(random, 400)
        shares.append(np.mean(reached >= promised - found.shift_pct))
    assert np.quantile(shares, [0.05, 0.95]) == pytest.approx([found.low, found.high], abs=0.025)


def test_too_few_dents_calibrate_nothing_and_say_so() -> None:
    assert [dents_needed(share) for share in (0.5, 0.8, 0.95)] == [1, 4, 19]
    few = calibrate([60.0, 70.0, 80.0], [50.0, 60.0, 90.0], 0.8)
    assert np.isnan(few.shift_pct)
    assert "4 are needed" in few.sentence(70.0, 60.0)
    assert np.isfinite(calibrate([60.0] * 4, [50.0] * 4, 0.8).shift_pct)


def test_the_promise_is_said_in_the_customers_words() -> None:
    found = calibrate([70.0] * 20, list(np.linspace(55.0, 74.0, 20)), 0.8)
    assert found.shift_pct == pytest.approx(70.0 - 58.0)  # the 17th of 21 parts
    assert found.sentence(65.0, 150.0).startswith(
        "at least half better in four of five cases within 150 minutes")
    assert found.sentence(55.0, 150.0).startswith("at least 43 % better")
    assert found.sentence(5.0, 150.0).startswith("no improvement can be promised")
    low, high = np.quantile(np.random.default_rng(1).beta(17, 4, 200_000), [0.05, 0.95])
    assert found.low == pytest.approx(low, abs=0.005)
    assert found.high == pytest.approx(high, abs=0.005)


def test_stored_dents_are_read_and_their_absence_is_none(tmp_path: Path) -> None:
    assert stored_calibration(0.8, tmp_path / "none.csv") is None
    rows = "\n".join(f"{k},{60 + k},{55 + k}" for k in range(9))
    (tmp_path / "blind.csv").write_text(f"dent,promised_80_pct,reached_pct\n{rows}\n")
    found = stored_calibration(0.8, tmp_path / "blind.csv")
    assert (found.dents, found.shift_pct) == (9, 5.0)
    assert stored_calibration(0.95, tmp_path / "blind.csv") is None
