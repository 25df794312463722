"""Hardening and backstress fitted to tests with reversals.

Truth: the plane-stress kernel, led along the same path of strain in small steps; synthetic readings
of known parameters, EXACT; two cyclic tests of structural steel and what a public library published
for them (RESSPyLab, examples; SEEN in its repository): error sum 17569.3186319 at E 200000, yield
355 and 0.1 for all else, of which 400 are its barrier, and its parameters for one backstress term.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.hardening import Backstress, Sheet, Voce
from simkit.material.j2 import state_size, update_point
from simkit.material.packing import pack_sheet
from simkit.material.reversal import Readings, fit_reversal, stress_along

LAW = Voce(120.0, 230.0, 12.0)
FAST, SLOW = Backstress(9000.0, 180.0), Backstress(500.0, 12.0)
PUBLISHED = (179944.487, Voce(263.292539, 263.292539 + 82.0452338, 9.50988993),
             (Backstress(16133.9104, 115.476199),))
CYCLIC = Path(__file__).with_name("data") / "cyclic_steel.csv"


def path(*turns, step=5e-4):
    """Strains from 0 through the turning points."""
    parts = [np.zeros(1)]
    for begin, end in zip((0.0, *turns[:-1]), turns, strict=True):
        parts.append(np.linspace(begin, end, round(abs(end - begin) / step) + 1)[1:])
    return np.concatenate(parts)


def by_kernel(strain, terms, parts=40):
    """Axial stress of the shell's own law, with free stress across, in equal steps."""
    packed = pack_sheet(Sheet("strip", 70000.0, 0.33, LAW, terms))
    state, e, found = np.zeros(state_size(packed)), np.zeros(3), [0.0]
    axial, across = np.array([0.5, 0.5, 0.0]), np.array([1.0, -1.0, 0.0])
    for begin, end in pairwise(strain):
        for wanted in np.linspace(begin, end, parts + 1)[1:]:
            for _ in range(50):
                new, t, c = np.empty_like(state), np.empty(3), np.empty((3, 3))
                update_point(e, state, new, t, c, packed, np.empty(9), False, True)
                gap = np.array([across @ t, axial @ e - wanted])
                if np.abs(gap).max() < 1e-10:
                    break
                e[:2] -= np.linalg.solve(np.vstack([across @ c, axial])[:, :2], gap)
            state = new
        found.append(t[0] + t[1])
    return np.array(found)


def cyclic():
    rows = np.loadtxt(CYCLIC, delimiter=",", skiprows=3)
    return tuple(Readings(*rows[rows[:, 0] == k, 1:].T) for k in (1, 2))


def error_sum(E_MPa, law, terms):
    """Mean square of the deviation along the path, summed over both tests, MPa^2."""
    return sum(float(test.weights() @ (stress_along(test.strain, E_MPa, law, terms)
                                       - test.stress_MPa) ** 2) for test in cyclic())


@pytest.mark.parametrize("terms", [(FAST,), (FAST, SLOW)])
def test_path_is_that_of_the_shells_law(terms):
    """The kernel integrates by backward Euler, so it agrees as its steps shrink."""
    strain = path(0.02, 0.004, step=1e-3)
    exact = stress_along(strain, 70000.0, LAW, terms)
    assert by_kernel(strain, terms) == pytest.approx(exact, abs=0.4)
    tension = strain[:21]
    plastic = tension - exact[:21] / 70000.0
    assert exact[3:21] == pytest.approx(Sheet("s", 7e4, 0.33, LAW, terms).tension(plastic[3:]),
                                        rel=1e-9)


def test_known_parameters_are_found_again():
    strain = path(0.03, -0.02, 0.02)
    readings = Readings(strain, stress_along(strain, 70000.0, LAW, (FAST,)))
    fit = fit_reversal((readings,), 70000.0)
    assert (fit.isotropic.yield_MPa, fit.isotropic.saturation_MPa, fit.isotropic.rate) == (
        pytest.approx((120.0, 230.0, 12.0), rel=1e-5))
    term, = fit.backstress
    assert (term.modulus_MPa, term.recovery) == pytest.approx((9000.0, 180.0), rel=1e-5)
    assert fit.rms_MPa < 1e-4
    assert "Voce 120.0 to 230.0 MPa" in fit.says()


def test_two_terms_and_the_modulus_from_readings_with_noise():
    """Noise of 1 MPa: the curve is met within it, and the parameters that the test shows."""
    strain = path(0.04, -0.03, 0.03)
    exact = stress_along(strain, 70000.0, LAW, (FAST, SLOW))
    noise = np.random.default_rng(4).normal(0.0, 1.0, strain.size)
    fit = fit_reversal((Readings(strain, exact + noise),), None, 2)
    again = stress_along(strain, fit.E_MPa, fit.isotropic, fit.backstress)
    assert np.sqrt(np.mean((again - exact) ** 2)) < 0.4
    assert fit.rms_MPa == pytest.approx(1.0, abs=0.15)
    assert fit.E_MPa == pytest.approx(70000.0, rel=0.01)
    assert fit.backstress[0].saturation_MPa == pytest.approx(50.0, rel=0.2)


def test_error_sum_is_the_published_one_where_nothing_hardens():
    """Their number to the digits kept in the file of readings."""
    found = error_sum(200e3, Voce(355.0, 355.1, 0.1), (Backstress(0.1, 0.1),))
    assert found == pytest.approx(17569.3186319 - 400.0, rel=1e-6)


def test_published_parameters_of_one_term():
    """The library's step adds the corrections of Newton's method to the plastic strain whatever
    their sign: its sum at its parameters is 1737.3; integrated exactly it is 1690.0 (its own code
    gives 1690.0057 once the sign is kept, run once by hand). So its optimum is not exactly ours:
    modulus, isotropic law and size of the backstress agree, its speed by a quarter."""
    theirs = error_sum(*PUBLISHED)
    assert theirs == pytest.approx(1690.0057, rel=1e-5)
    fit = fit_reversal(cyclic(), None)
    assert 2.0 * fit.rms_MPa**2 < theirs
    E_MPa, law, (term,) = PUBLISHED
    assert fit.E_MPa == pytest.approx(E_MPa, rel=0.005)
    assert fit.isotropic.yield_MPa == pytest.approx(law.yield_MPa, rel=0.03)
    assert fit.isotropic.saturation_MPa == pytest.approx(law.saturation_MPa, rel=0.03)
    assert fit.backstress[0].saturation_MPa == pytest.approx(term.saturation_MPa, rel=0.02)
    assert fit.backstress[0].recovery == pytest.approx(term.recovery, rel=0.25)


@pytest.mark.parametrize("make", [
    lambda: Readings(np.zeros(5), np.zeros(5)),
    lambda: Readings(np.linspace(0.0, 2.0, 20), np.zeros(20)),
    lambda: Readings(np.full(20, np.nan), np.zeros(20)),
    lambda: fit_reversal((), 70000.0),
    lambda: fit_reversal((Readings(path(0.03), stress_along(path(0.03), 7e4, LAW, (FAST,))),), 7e4),
    lambda: fit_reversal((Readings(path(0.001, -0.001, step=1e-4), path(0.001, -0.001, step=1e-4)
                                   * 7e4),), 7e4)])
def test_what_cannot_be_fitted_is_refused(make):
    with pytest.raises(InputError):
        make()
