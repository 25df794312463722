"""Hardening laws, backstress and the tensile test, against closed forms and published tables."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.material.hardening import (
    Backstress,
    HardeningLaw,
    Sheet,
    Swift,
    TableLaw,
    Voce,
    geometric_strains,
    split_isotropic,
)
from simkit.material.tensile import (
    backstress_from_shutov,
    swift_baked,
    swift_from_elongation,
    swift_from_exponent,
    tensile_test,
    voce_from_elongation,
)

STRAINS = geometric_strains(1e-4, 0.6, 40)
TABLE = TableLaw(np.array([0.0, 0.01, 0.1, 0.4]), np.array([150.0, 200.0, 280.0, 330.0]))
LAWS = (Swift(550.0, 0.004, 0.22), Voce(91.0, 289.0, 12.3), Voce(91.0, 250.0, 20.0, 150.0), TABLE)


def sheet(law: HardeningLaw, *terms: Backstress) -> Sheet:
    return Sheet("test", 206000.0, 0.3, law, terms)


@pytest.mark.parametrize("law", LAWS)
def test_slope_is_the_derivative_of_stress(law):
    """Exact: central difference; 0.0234 lies in no kink of the table."""
    p, step = np.array([0.0034, 0.0234, 0.17]), 1e-6
    difference = (law.stress(p + step) - law.stress(p - step)) / (2 * step)
    np.testing.assert_allclose(law.slope(p), difference, rtol=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_laws_are_vectorised_and_keep_the_shape(law):
    p = STRAINS.reshape(8, 5)
    assert law.stress(p).shape == law.slope(p).shape == (8, 5)
    assert float(law.stress(p)[3, 2]) == float(law.stress(p[3, 2]))
    assert isinstance(law, HardeningLaw)


def test_values_by_hand():
    """Exact, by hand: the laws' own formulas at chosen points."""
    assert float(Swift(550.0, 0.004, 0.22).stress(0.0)) == pytest.approx(163.2, abs=0.05)
    assert float(Swift(400.0, 0.05, 0.5).stress(0.2)) == pytest.approx(200.0)
    assert float(Voce(100.0, 300.0, 10.0).stress(math.log(2) / 10)) == pytest.approx(200.0)
    assert float(Voce(100.0, 300.0, 10.0, 50.0).stress(20.0)) == pytest.approx(1300.0)
    np.testing.assert_allclose(TABLE.stress([0.005, 0.25, 0.4, 0.9]), [175.0, 305.0, 330.0, 330.0])
    np.testing.assert_allclose(TABLE.slope([0.0, 0.01, 0.9]), [5000.0, 80.0 / 0.09, 0.0])


def test_packed_forms_for_the_kernel():
    assert Swift(550.0, 0.004, 0.22).packed().tolist() == [550.0, 0.004, 0.22]
    assert Voce(91.0, 289.0, 12.3).packed().tolist() == [91.0, 289.0, 12.3, 0.0]
    assert TABLE.packed().tolist() == [4, 0, 0.01, 0.1, 0.4, 150, 200, 280, 330]
    assert [law.kind for law in LAWS] == [0, 1, 1, 2]
    assert all(law.packed().dtype == np.float64 for law in LAWS)
    both = sheet(TABLE, Backstress(1600.0, 40.0), Backstress(100.0, 5.0))
    assert both.backstress_packed().tolist() == [[1600.0, 40.0], [100.0, 5.0]]
    assert sheet(TABLE).backstress_packed().shape == (0, 2)


def test_laws_cannot_be_changed():
    with pytest.raises(FrozenInstanceError):
        LAWS[0].n = 0.3
    with pytest.raises(ValueError, match="read-only"):
        TABLE.stress_MPa[0] = 1.0


@pytest.mark.parametrize("make", [
    lambda: Swift(-1.0, 0.004, 0.2), lambda: Swift(500.0, 0.0, 0.2), lambda: Swift(500.0, 0.1, 1.5),
    lambda: Swift(math.nan, 0.004, 0.2), lambda: Voce(100.0, 90.0, 10.0),
    lambda: Voce(100.0, 200.0, 0.0), lambda: Voce(100.0, 200.0, 1.0, -5.0),
    lambda: TableLaw(np.array([0.0, 0.1]), np.array([100.0, 90.0])),
    lambda: TableLaw(np.array([0.1, 0.2]), np.array([100.0, 110.0])),
    lambda: TableLaw(np.array([0.0, 0.0]), np.array([100.0, 110.0])),
    lambda: TableLaw(np.array([0.0, 0.1]), np.array([100.0, math.nan])),
    lambda: TableLaw(np.array([0.0]), np.array([100.0])),
    lambda: Backstress(0.0, 10.0), lambda: Backstress(10.0, -1.0),
    lambda: Sheet("x", 2e5, 0.5, TABLE), lambda: Sheet("x", -1.0, 0.3, TABLE),
    lambda: sheet(TABLE, *[Backstress(10.0, 10.0)] * 3),
])
def test_impossible_numbers_are_refused(make):
    with pytest.raises(InputError):
        make()


def test_backstress_follows_its_rate_equation():
    """Exact: axial form of dX = 2/3 C dep - gamma X dp, dX/dp = C - gamma X, integrated here."""
    term = Backstress(1600.0, 40.0)
    X, steps = 0.0, 40000
    for _ in range(steps):
        middle = X + 0.5 * (0.05 / steps) * (1600.0 - 40.0 * X)
        X += (0.05 / steps) * (1600.0 - 40.0 * middle)
    assert float(term.tension(0.05)) == pytest.approx(X, rel=1e-7)
    assert float(term.tension(1.0)) == pytest.approx(term.saturation_MPa) == 40.0
    assert float(term.tension_slope(0.05)) == pytest.approx(1600.0 - 40.0 * X, rel=1e-7)


@pytest.mark.parametrize("law", [LAWS[0], LAWS[1]])
def test_split_keeps_monotonic_tension(law):
    """Exact: isotropic share and backstress add up to the measured law, table error apart."""
    term = Backstress(1600.0, 40.0) if law is LAWS[0] else Backstress(2000.0, 30.0)
    whole = sheet(split_isotropic(law, [term]), term)
    p = np.linspace(0.0, 0.5, 2001)
    np.testing.assert_allclose(whole.tension(p), law.stress(p), rtol=1e-3)
    assert float(whole.hardening.stress(0.3)) == pytest.approx(
        float(law.stress(0.3)) - term.saturation_MPa, rel=1e-3)


def test_split_refuses_what_the_law_does_not_have():
    with pytest.raises(InputError, match="whole flow stress"):
        split_isotropic(LAWS[1], [Backstress(40000.0, 200.0)])
    with pytest.raises(InputError, match="isotropic share falls"):
        split_isotropic(LAWS[1], [Backstress(6000.0, 200.0)])


def test_split_holds_a_small_dip_level():
    """The published claim of `split_isotropic`: above the law by less than the dip limit of 1 %,
    never below it but for the table's interpolation (0.1 %, as in the split above)."""
    law, term = Voce(100.0, 200.0, 10.0), Backstress(1150.0, 100.0)
    assert float(law.stress(0.002)) - float(term.tension(0.002)) < 100.0
    share = split_isotropic(law, [term])
    assert bool((np.diff(share.stress_MPa) >= 0).all())
    whole = sheet(share, term)
    surplus = whole.tension(STRAINS) / law.stress(STRAINS) - 1.0
    assert surplus.min() > -1e-3
    assert 1e-3 < surplus.max() < 0.01


def test_largest_load_of_swift_and_voce():
    """Considere 1885, rigid-plastic closed forms: p_u = n - e0, and for Voce as below.

    Elastic strain shifts both by about stress/E, hence the tolerance of 0.5 %.
    """
    law = LAWS[0]
    test = tensile_test(sheet(law))
    p_u = law.n - law.strain_0
    assert math.log1p(test.Ag) == pytest.approx(p_u, rel=5e-3)
    assert test.Rm_MPa == pytest.approx(law.K_MPa * law.n**law.n * math.exp(-p_u), rel=5e-3)
    voce = LAWS[1]
    p_u = math.log((voce.saturation_MPa - voce.yield_MPa) * (1 + voce.rate) / voce.saturation_MPa)
    test = tensile_test(sheet(voce))
    assert math.log1p(test.Ag) == pytest.approx(p_u / voce.rate, rel=5e-3)


def test_tensile_test_is_the_maximum_of_the_engineering_curve():
    """Exact: brute force over the engineering stress-strain curve."""
    metal = sheet(LAWS[0])
    p = np.linspace(0.0, 0.4, 400001)
    true = metal.tension(p)
    strain = p + true / metal.E_MPa
    engineering = true * np.exp(-strain)
    plastic = np.expm1(strain) - engineering / metal.E_MPa
    test = tensile_test(metal)
    assert test.Rm_MPa == pytest.approx(engineering.max(), rel=1e-9)
    assert test.Ag == pytest.approx(plastic[engineering.argmax()], rel=1e-4)
    assert test.Rp02_MPa == pytest.approx(np.interp(0.002, plastic, engineering), rel=1e-7)


def test_law_that_never_necks_is_refused():
    strain = np.linspace(0.0, 2.0, 401)
    with pytest.raises(InputError, match="no largest load"):
        tensile_test(sheet(TableLaw(strain, 100.0 * np.exp(1.5 * strain))))


def test_law_that_hardens_too_little_necks_at_yield():
    """Exact: slope below stress from the start, so the largest load is that at yield."""
    test = tensile_test(sheet(Voce(200.0, 205.0, 10.0)))
    assert pytest.approx(0.0, abs=1e-5) == test.Ag
    assert test.Rm_MPa == pytest.approx(200.0, rel=2e-3)


@pytest.mark.parametrize("derive", [swift_from_elongation, voce_from_elongation])
def test_derived_laws_return_their_tensile_test(derive):
    """Round trip through the full tensile test; the derivation leaves out elastic strain."""
    test = tensile_test(sheet(derive(175.0, 310.0, 0.24)))
    assert test.Rp02_MPa == pytest.approx(175.0, rel=5e-3)
    assert test.Rm_MPa == pytest.approx(310.0, rel=5e-3)
    assert test.Ag == pytest.approx(0.24, rel=1e-2)


def test_swift_from_exponent_returns_its_tensile_test():
    law = swift_from_exponent(175.0, 310.0, 0.22)
    test = tensile_test(sheet(law))
    assert (law.n, test.Rp02_MPa, test.Rm_MPa) == pytest.approx((0.22, 175.0, 310.0), rel=5e-3)


def test_derivations_agree_on_a_swift_sheet():
    """Exact: both derivations recover the Swift law a rigid-plastic test was computed from."""
    law = Swift(540.0, 0.006, 0.23)
    Ag = math.expm1(law.n - law.strain_0)
    Rm = law.K_MPa * law.n**law.n / (1 + Ag)
    Rp02 = float(law.stress(0.002)) / 1.002
    for found in (swift_from_exponent(Rp02, Rm, law.n), swift_from_elongation(Rp02, Rm, Ag)):
        np.testing.assert_allclose(found.packed(), law.packed(), rtol=1e-8)


def test_voce_derivation_recovers_a_voce_sheet():
    """Exact: as above for Voce."""
    law = Voce(90.746, 289.0, 12.3)
    p_u = math.log((law.saturation_MPa - law.yield_MPa) * (1 + law.rate) / law.saturation_MPa)
    Ag = math.expm1(p_u / law.rate)
    Rm = float(law.stress(math.log1p(Ag))) / (1 + Ag)
    found = voce_from_elongation(float(law.stress(0.002)) / 1.002, Rm, Ag)
    np.testing.assert_allclose(found.packed(), law.packed(), rtol=1e-8)


def test_numbers_no_law_passes_through_are_refused():
    with pytest.raises(InputError, match="no hardening law"):
        swift_from_exponent(330.0, 310.0, 0.22)
    with pytest.raises(InputError, match="no hardening law"):
        voce_from_elongation(330.0, 310.0, 0.2)


def test_baked_law_is_stronger_and_has_used_up_its_stretch():
    """Rp0.2 up by both hardenings; Rm and 1 + Ag change by the 2 % of section (kinematics)."""
    before = tensile_test(sheet(swift_from_exponent(205.0, 325.0, 0.19)))
    after = tensile_test(sheet(swift_baked(205.0, 325.0, 0.19, 30.0, 35.0, 0.02)))
    assert after.Rp02_MPa == pytest.approx(270.0, rel=5e-3)
    assert after.Rm_MPa == pytest.approx(1.02 * before.Rm_MPa, rel=2e-3)
    assert 1 + after.Ag == pytest.approx((1 + before.Ag) / 1.02, rel=2e-3)


def test_shutov_branch_at_small_strain():
    """Exact: integrate X' = c (ep' - kappa X |ep'|) as tensors in tension, compare axial stress."""
    c, kappa = 115.5, 0.0885
    direction = np.diag([1.0, -0.5, -0.5])
    X, step = np.zeros((3, 3)), 1e-5
    for _ in range(5000):
        flow = direction * step
        X = X + c * (flow - kappa * X * np.linalg.norm(flow))
    axial = 1.5 * X[0, 0]
    assert float(backstress_from_shutov(c, kappa).tension(0.05)) == pytest.approx(axial, rel=1e-3)
