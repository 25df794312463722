"""Sheet with a rolling direction: criteria, their fit to measurements, the return mapping.

Truth: identities and closed forms. Isotropic Yld2000-2d of exponent 2 and 4 is von Mises, and its
size at 6 or 8 that of Hosford 1972, ((|s1|^a + |s2|^a + |s1 - s2|^a) / 2)^(1/a); Hill's criterion
gives back its r-values, and yields by the closed forms of uniaxial tension. EXACT. Measured points:
AA6016-T4 of the benchmark of 2021, TRANSCRIPTION as the grade says.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from strip import pulled

from simkit.errors import InputError
from simkit.material.anisotropic import update_anisotropic
from simkit.material.criterion import hill48, yld2000
from simkit.material.directions import Directions, fit_coefficients
from simkit.material.grades import load_grade
from simkit.material.hardening import Backstress, Sheet, Swift, TableLaw, Voce
from simkit.material.j2 import state_size, update_point
from simkit.material.locus import conjugate
from simkit.material.measures import measure
from simkit.material.packing import cautious_law, pack_sheet
from simkit.material.yld2004 import yld2004

ONES = np.ones(8)
ODD = np.array([0.9, 1.05, 0.8, 1.0, 1.02, 0.95, 0.93, 1.2])
TWICE = np.array([1.1, 0.9, 0.6, -0.4, 1.5, -0.1, 0.7, 0.95, 1.0, 1.2, 1.1, 0.2])
CRITERIA = {"isotropic-8": yld2000(ONES, 8), "odd-6": yld2000(ODD, 6), "odd-8": yld2000(ODD, 8),
            "two-6": yld2004(TWICE, 6), "two-8": yld2004(TWICE, 8),
            "hill": hill48(0.525, 0.248, 0.429), "steel-hill": hill48(1.8, 1.4, 2.1)}
LAWS = (Swift(498.8, 0.0089, 0.285), Voce(120.0, 260.0, 14.0, 180.0),
        TableLaw(np.array([0.0, 0.01, 0.05, 0.2]), np.array([150.0, 190.0, 250.0, 330.0])))
TERMS = (Backstress(6000.0, 120.0), Backstress(800.0, 15.0))
DEGREES = np.arange(0.0, 181.0, 7.5)


def some_stresses(count=200, seed=3):
    return np.random.default_rng(seed).normal(0.0, 200.0, (count, 3))


def step(sheet, e, old, tangent=True):
    new, t, c = np.empty_like(old), np.empty(3), np.empty((3, 3))
    yields = update_anisotropic(e, old, new, t, c, pack_sheet(sheet), False, tangent)
    return yields, t, c, new


def test_isotropic_coefficients_are_mises_and_hosford():
    stress = some_stresses()
    s11, s22, s12 = stress.T
    mises = np.sqrt(s11**2 - s11 * s22 + s22**2 + 3.0 * s12**2)
    middle, radius = 0.5 * (s11 + s22), np.hypot(0.5 * (s11 - s22), s12)
    one, two = middle + radius, middle - radius
    for exponent in (2, 4):
        assert yld2000(ONES, exponent).size(stress) == pytest.approx(mises, rel=1e-12)
    for a in (6, 8):
        hosford = (0.5 * (abs(one) ** a + abs(two) ** a + abs(one - two) ** a)) ** (1.0 / a)
        assert yld2000(ONES, a).size(stress) == pytest.approx(hosford, rel=1e-12)


def test_hill_gives_back_its_r_values_and_closed_yields():
    r0, r45, r90 = 1.8, 1.4, 2.1
    hill = hill48(r0, r45, r90)
    assert hill.r_along(np.radians([0.0, 45.0, 90.0])) == pytest.approx([r0, r45, r90], rel=1e-12)
    assert hill.yield_along(np.pi / 2) == pytest.approx(
        np.sqrt(r90 * (1 + r0) / (r0 * (1 + r90))), rel=1e-12)
    assert hill.equibiaxial() == pytest.approx(np.sqrt(r90 * (1 + r0) / (r0 + r90)), rel=1e-12)
    same = hill48(1.0, 1.0, 1.0)
    assert same.plane_strain(0.3) == pytest.approx(2.0 / np.sqrt(3.0), rel=1e-6)


@pytest.mark.parametrize("name", CRITERIA)
def test_homogeneous_even_convex_and_symmetric(name):
    criterion, stress = CRITERIA[name], some_stresses()
    size = criterion.size(stress)
    assert criterion.size(-2.5 * stress) == pytest.approx(2.5 * size, rel=1e-12)
    # orthotropic: mirrors of the rolling frame change nothing
    assert criterion.size(stress * [1.0, 1.0, -1.0]) == pytest.approx(size, rel=1e-13)
    assert criterion.r_along(np.radians(DEGREES)) == pytest.approx(
        criterion.r_along(np.radians(180.0 - DEGREES)), rel=1e-9)
    # work conjugate: stress times flow is the size (Euler), two numbers off the diagonal
    flow = criterion.flow(stress)
    assert (stress * flow * [1.0, 1.0, 2.0]).sum(axis=1) == pytest.approx(size, rel=1e-12)
    other = some_stresses(seed=4)
    for share in (0.2, 0.5, 0.9):
        assert np.all(criterion.size(share * stress + (1.0 - share) * other)
                      <= share * size + (1.0 - share) * criterion.size(other) + 1e-9)


@pytest.mark.parametrize("name", CRITERIA)
def test_kernel_has_size_slope_and_hessian_of_the_criterion(name):
    criterion, packed = CRITERIA[name], CRITERIA[name].packed()
    for stress in some_stresses(20):
        s, d, g = conjugate(stress)
        size, (n0, n1, n2), upper = measure(s, d, g, packed)
        assert size == pytest.approx(float(criterion.size(stress)), rel=1e-12)
        flow = criterion.flow(stress)
        assert (n0, n1, n2) == pytest.approx((flow[0] + flow[1], flow[0] - flow[1], 2 * flow[2]),
                                             rel=1e-9, abs=1e-12)
        h = np.array([[upper[0], upper[1], upper[2]], [upper[1], upper[3], upper[4]],
                      [upper[2], upper[4], upper[5]]])
        assert np.linalg.eigvalsh(h).min() > -1e-9 * np.abs(h).max()
        step_mpa = 1e-4
        for j in range(3):
            move = step_mpa * np.eye(3)[j]
            ahead = measure(s + move[0], d + move[1], g + move[2], packed).n
            behind = measure(s - move[0], d - move[1], g - move[2], packed).n
            slope = (np.array(ahead) - np.array(behind)) / (2.0 * step_mpa)
            assert slope == pytest.approx(h[:, j], rel=1e-5, abs=1e-5 * np.abs(h).max())


@pytest.mark.parametrize("name", CRITERIA)
@pytest.mark.parametrize("law", LAWS, ids=lambda law: type(law).__name__)
def test_tangent_is_the_derivative_and_the_surface_is_met(name, law):
    sheet = Sheet("rolled", 70000.0, 0.33, law, TERMS, criterion=CRITERIA[name])
    rng, packed = np.random.default_rng(7), pack_sheet(sheet)
    for times_yield in (3.0, 6.0, 40.0):
        old = np.zeros(state_size(packed))
        old[3], old[5:] = 0.02, rng.normal(0.0, 8.0, 6)
        way = rng.normal(size=3)
        e = 0.003 * times_yield * way / np.linalg.norm(way)
        yields, t, c, new = step(sheet, e, old)
        assert yields
        back = new[5:8] + new[8:11]
        xi = measure(t[0] - 0.5 * back[0], t[1] - 0.5 * back[1], t[2] - back[2], packed[1]).value
        assert xi == pytest.approx(float(law.stress(new[3])), rel=1e-9)
        assert new[4] > old[4]  # never negative dissipation
        for j in range(3):
            move = 1e-7 * np.eye(3)[j]
            slope = (step(sheet, e + move, old)[1] - step(sheet, e - move, old)[1]) / 2e-7
            assert slope == pytest.approx(c[:, j], abs=2e-6 * np.abs(c).max())


def test_quadratic_isotropic_mapping_is_that_of_mises():
    plain = Sheet("plain", 70000.0, 0.33, LAWS[1], TERMS)
    rolled = replace(plain, criterion=yld2000(ONES, 2))
    rng, old = np.random.default_rng(5), np.zeros(11)
    old_plain = old.copy()
    for _ in range(12):
        e = rng.normal(0.0, 0.01, 3)
        _, t, c, old = step(rolled, e, old)
        new, t2, c2 = np.empty(11), np.empty(3), np.empty((3, 3))
        update_point(e, old_plain, new, t2, c2, pack_sheet(plain), np.empty(9), False, True)
        old_plain = new
        assert t == pytest.approx(t2, rel=1e-8, abs=1e-6)
        assert c == pytest.approx(c2, rel=1e-6, abs=1e-4 * np.abs(c2).max())
        assert old == pytest.approx(old_plain, rel=1e-8, abs=1e-8)


def test_cautious_law_yields_no_later():
    for law in LAWS:
        for criterion in CRITERIA.values():
            sheet = Sheet("rolled", 70000.0, 0.33, law, criterion=criterion)
            k = criterion.above_mises()
            stress = some_stresses(2000)
            mises = np.sqrt(stress[:, 0] ** 2 - stress[:, 0] * stress[:, 1] + stress[:, 1] ** 2
                            + 3.0 * stress[:, 2] ** 2)
            assert np.all(criterion.size(stress) <= k * mises)
            low = cautious_law(pack_sheet(sheet), k)
            plain = pack_sheet(replace(sheet, criterion=None))
            assert low.size >= plain.size
            new, t, c = np.empty(5), np.empty(3), np.empty((3, 3))
            e_low = next(e for e in np.geomspace(1e-4, 0.1, 4000) if update_point(
                np.array([0.35 * e, e, 0.0]), np.zeros(5), new, t, c, low, np.empty(9), 1, 0))
            e_high = next(e for e in np.geomspace(1e-4, 0.1, 4000) if update_point(
                np.array([0.35 * e, e, 0.0]), np.zeros(5), new, t, c, plain, np.empty(9), 1, 0))
            assert e_low == pytest.approx(e_high / k, rel=4e-3)


def test_strips_of_the_benchmark_sheet_follow_hardening_times_yield_along():
    """Curves along seven directions within 1 % of hardening at equal plastic work times the
    criterion's yield (a strip yields at ratio k, and its equivalent strain is k times its own)."""
    sheet = load_grade("AA6016-T4-rolled").sheet()
    for degrees in (0, 15, 30, 45, 60, 75, 90):
        ratio = float(sheet.criterion.yield_along(np.radians(degrees)))
        for strain in (0.01, 0.05, 0.12):
            stress, r = pulled(sheet, np.radians(degrees), strain, 40)
            plastic = strain - stress / sheet.E_MPa
            assert stress == pytest.approx(
                ratio * 498.8 * (0.0089 + ratio * plastic) ** 0.285, rel=1e-2)
            assert r == pytest.approx(float(sheet.criterion.r_along(np.radians(degrees))),
                                      rel=1e-6)


def test_fit_of_the_benchmark_sheet():
    """Eight coefficients do not meet 17 measurements: yields within 3 %, r-values within 0.05,
    equal biaxial within 1 %, plane strain within 4 %. Limits set from the first fit: the measured
    yields jump from 0.867 at 45 to 0.919 at 60 degrees, which the criterion cannot."""
    grade = load_grade("AA6016-T4-rolled")
    measured, criterion = grade.directions(), grade.sheet().criterion
    angles = np.radians(measured.angle_deg)
    assert criterion.yield_along(0.0) == pytest.approx(1.0, rel=1e-9)
    assert criterion.yield_along(angles) == pytest.approx(measured.yields, rel=0.03)
    assert criterion.r_along(angles) == pytest.approx(measured.r_values, abs=0.051)
    assert criterion.equibiaxial() == pytest.approx(0.975, rel=0.01)
    assert criterion.plane_strain(0.0) == pytest.approx(1.025, rel=0.04)
    assert criterion.plane_strain(np.pi / 2) == pytest.approx(1.0, rel=0.04)


def test_fit_finds_known_coefficients_again():
    truth = yld2000(ODD / float(yld2000(ODD, 8).size((1.0, 0.0, 0.0))), 8)
    degrees = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 90.0)
    angles = np.radians(degrees)
    measured = Directions(degrees, tuple(truth.yield_along(angles)),
                          tuple(truth.r_along(angles)), truth.equibiaxial(),
                          truth.plane_strain(0.0), truth.plane_strain(np.pi / 2))
    again = yld2000(fit_coefficients(measured), 8)
    stress = some_stresses()
    assert again.size(stress) == pytest.approx(truth.size(stress), rel=2e-3)


@pytest.mark.parametrize("make", [
    lambda: hill48(0.0, 1.0, 1.0), lambda: yld2000(ONES[:7]), lambda: yld2000(ONES, 7),
    lambda: Directions((0.0, 90.0), (1.0, 0.9), (1.0, 1.0)).criterion("hill48"),
    lambda: Directions((0.0, 90.0), (1.0, 0.9), (1.0, 1.0)).criterion("yld2000-2d"),
    lambda: Directions((0.0,), (1.0,), (1.0,)).criterion("tresca")])
def test_what_cannot_be_is_refused(make):
    with pytest.raises(InputError):
        make()
