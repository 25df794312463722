"""The reference tables themselves: read as written, own ones recomputed."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
from square_by_ritz import centre_deflections

from simkit.verification.problems.check import Check, Status, Truth, table

FOLDER = resources.files("simkit.verification.problems").joinpath("data")


def test_every_table_names_its_source_and_reads():
    names = [f.name for f in FOLDER.iterdir() if f.name.endswith(".csv")]
    assert len(names) >= 12
    readme = FOLDER.joinpath("README.md").read_text()
    for name in names:
        text = FOLDER.joinpath(name).read_text()
        assert text.startswith(("# Source:", "# OWN COMPUTATION"))
        columns = table(name[:-4])
        assert all(np.isfinite(column).all() and column.size > 3 for column in columns.values())
        assert name in readme


def test_stored_ritz_table_is_what_the_method_gives():
    """Fewer terms, two loads: within 0.1 % of the stored values."""
    stored = table("own_ritz_clamped_square_uniform_nu0p316")
    rows = [1, 4]
    for column, held in (("sliding_rim", False), ("held_rim", True)):
        found = centre_deflections(5, held, stored["q_a4_over_E_h4"][rows])
        for (value, ok), wanted in zip(found, stored[column][rows], strict=True):
            assert ok
            assert value == pytest.approx(wanted, rel=1e-3)


def test_levy_agrees_with_the_converged_series_only_for_moderate_loads():
    """Why Levy's table is held to 2 % above w = 1.2 h: it leaves the converged solution."""
    levy, ritz = (table(n) for n in ("levy_tn847_clamped_square_uniform",
                                     "own_ritz_clamped_square_uniform_nu0p316"))
    gap = levy["w_center_over_h"] / ritz["sliding_rim"] - 1.0
    assert np.all(np.abs(gap[:5]) < 0.0105)
    assert 0.019 < gap[-1] < 0.022


def test_a_check_fails_on_a_wrong_value_and_on_none():
    def check(value):
        return Check("c", "q", 2.0, value, 1.0, Truth.EXACT, "s", Status.DERIVED)

    assert check(2.019).ok
    assert not check(2.021).ok
    assert not check(np.nan).ok
    assert check(1.98).error_pct == pytest.approx(-1.0)
