"""Pre-strain and bake hardening of a sheet."""

from __future__ import annotations

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.forming import formed_sheet
from simkit.material.grades import load_grade

STRAINS = np.linspace(0.0, 0.1, 41)


@pytest.mark.parametrize("grade", ["DC04", "HC180B", "AA6016-T4"])
def test_tension_goes_on_where_forming_stopped(grade):
    """By hand: the curve as delivered, begun at the pre-strain and raised by the oven."""
    sheet = load_grade(grade).sheet()
    formed = formed_sheet(sheet, 0.03, 25.0)
    assert formed.tension(STRAINS) == pytest.approx(sheet.tension(0.03 + STRAINS) + 25.0, rel=1e-3)
    assert formed.tension_slope(0.02) == pytest.approx(sheet.tension_slope(0.05), rel=0.05)


def test_what_backstress_is_left_is_the_rest_of_its_way():
    """Armstrong-Frederick by hand: C exp(-gamma p0) is left of the modulus after p0."""
    sheet = load_grade("HC180B").sheet()
    term, left = sheet.backstress[0], formed_sheet(sheet, 0.01, 0.0).backstress[0]
    assert left.modulus_MPa == pytest.approx(term.modulus_MPa * np.exp(-0.01 * term.recovery))
    assert left.recovery == term.recovery


def test_no_forming_changes_nothing():
    sheet = load_grade("DC04").sheet()
    assert formed_sheet(sheet, 0.0, 0.0) is sheet


@pytest.mark.parametrize(("prestrain", "bake"), [(0.2, 0.0), (-0.01, 0.0), (0.01, -5.0)])
def test_what_the_law_cannot_bear_is_refused(prestrain, bake):
    with pytest.raises(InputError):
        formed_sheet(load_grade("DC04").sheet(), prestrain, bake)
