"""The plane-stress return mapping at one point, against closed forms and a 3-D algorithm.

Closed forms of von Mises plasticity with associated flow (any textbook; derived in each test):
tension s = s_y(p) with p = e - s/E; pure shear tau = s_y / sqrt 3, gamma_p = sqrt 3 p; equibiaxial
tension s = s_y, thickness strain -p. Armstrong-Frederick backstress in tension-compression:
X = -C/gamma + (X1 + C/gamma) exp(-gamma (p - p1)) after a reversal at (p1, X1). EXACT.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from simkit.material.hardening import Backstress, Sheet, Swift, TableLaw, Voce
from simkit.material.j2 import state_size, update_point
from simkit.mechanics.model import pack_sheet

E, NU = 206000.0, 0.3
LAWS = {
    "swift": Swift(560.0, 0.006, 0.24),
    "voce": Voce(120.0, 260.0, 14.0, 180.0),
    "table": TableLaw(np.array([0.0, 0.01, 0.05, 0.2, 1.0]),
                      np.array([150.0, 190.0, 250.0, 330.0, 420.0])),
}
TERMS = (Backstress(6000.0, 120.0), Backstress(800.0, 15.0))


def sheet(law="swift", terms=()):
    return Sheet("test", E, NU, LAWS[law], backstress=tuple(terms))


class Point:
    """One material point; strain (s, d, g), stress conjugates t."""

    def __init__(self, metal):
        self.law = pack_sheet(metal)
        self.state = np.zeros(state_size(self.law))
        self.e = np.zeros(3)

    def trial(self, e, symmetrise=False, tangent=True):
        new, t, c = np.empty_like(self.state), np.empty(3), np.empty((3, 3))
        update_point(np.asarray(e, float), self.state, new, t, c, self.law, np.empty(9),
                     symmetrise, tangent)
        return t, c, new

    def go(self, e):
        t, _, self.state = self.trial(e)
        self.e = np.asarray(e, float)
        return t

    def hold(self, component, value, ratio):
        """Bring strain ``component`` (11, 12) to a value while the other stresses stay in
        ``ratio``: the residuals are linear forms of t that must vanish."""
        e = self.e.copy()
        for _ in range(60):
            t, c, _ = self.trial(e)
            gap = np.append(ratio @ t, component @ e - value)
            if np.abs(gap[:2]).max() < 1e-10 and abs(gap[2]) < 1e-15:
                break
            e = e - np.linalg.solve(np.vstack([ratio @ c, component]), gap)
        assert np.abs(gap[:2]).max() < 1e-8
        return self.go(e)


STRAIN_11 = np.array([0.5, 0.5, 0.0])
SHEAR = np.array([0.0, 0.0, 1.0])
# conditions on t = (sigma_s / 2, sigma_d / 2, sigma_12)
UNIAXIAL = np.array([[1.0, -1.0, 0.0], [0.0, 0.0, 1.0]])
EQUIBIAXIAL = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
PURE_SHEAR = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def stresses(t):
    """sigma 11, 22, 12."""
    return t[0] + t[1], t[0] - t[1], t[2]


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("steps", [1, 20])
def test_tension_follows_the_law(law, steps):
    point = Point(sheet(law))
    for strain in np.linspace(0.0, 0.12, steps + 1)[1:]:
        s11, s22, _ = stresses(point.hold(STRAIN_11, strain, UNIAXIAL))
        p = strain - s11 / E
        assert s11 == pytest.approx(float(LAWS[law].stress(p)), rel=1e-9)
        assert point.state[3] == pytest.approx(p, rel=1e-9)
        assert abs(s22) < 1e-7
        # lateral contraction: nu elastically, one half plastically
        assert (point.e[0] - point.e[1]) / 2 == pytest.approx(-NU * s11 / E - 0.5 * p, rel=1e-9)


@pytest.mark.parametrize("law", LAWS)
def test_equibiaxial_and_shear_equivalents(law):
    biaxial, shear = Point(sheet(law)), Point(sheet(law))
    for strain in np.linspace(0.002, 0.08, 15):
        s11, s22, _ = stresses(biaxial.hold(STRAIN_11, strain, EQUIBIAXIAL))
        p = 2.0 * (strain - s11 * (1 - NU) / E)
        assert s11 == pytest.approx(s22, rel=1e-10)
        assert s11 == pytest.approx(float(LAWS[law].stress(p)), rel=1e-9)
        _, _, tau = stresses(shear.hold(SHEAR, strain, PURE_SHEAR))
        p = (strain - tau * 2 * (1 + NU) / E) / np.sqrt(3.0)
        assert tau == pytest.approx(float(LAWS[law].stress(p)) / np.sqrt(3.0), rel=1e-9)


def test_elastic_before_yield():
    point = Point(sheet())
    t = point.go(np.array([0.0003, 0.0001, 0.0002]))
    e11, e22, g = 0.0002, 0.0001, 0.0002
    plane = E / (1 - NU**2)
    assert stresses(t) == pytest.approx((plane * (e11 + NU * e22), plane * (e22 + NU * e11),
                                         E / (2 * (1 + NU)) * g), rel=1e-12)
    assert point.state[3] == 0.0


@pytest.mark.parametrize("terms", [TERMS[:1], TERMS])
def test_reversed_loading_against_the_closed_integral(terms):
    """Backward Euler tends to the exact integral with the first power of the step."""
    law = LAWS["voce"]
    turn, back = 0.03, -0.02
    errors = []
    for steps in (200, 400):
        point = Point(sheet("voce", terms))
        for strain in np.linspace(0.0, turn, steps + 1)[1:]:
            forward = point.hold(STRAIN_11, strain, UNIAXIAL)
        p1 = point.state[3]
        x1 = [float(term.saturation_MPa * -np.expm1(-term.recovery * p1)) for term in terms]
        exact = float(law.stress(p1)) + sum(x1)
        errors.append([stresses(forward)[0] / exact - 1.0])
        for strain in np.linspace(turn, back, steps + 1)[1:]:
            reverse = point.hold(STRAIN_11, strain, UNIAXIAL)
        p = point.state[3]
        x = sum(-term.saturation_MPa + (start + term.saturation_MPa)
                * np.exp(-term.recovery * (p - p1)) for term, start in zip(terms, x1, strict=True))
        errors[-1].append(stresses(reverse)[0] / (x - float(law.stress(p))) - 1.0)
    coarse, fine = np.abs(errors)
    assert fine.max() < 1e-3
    assert np.all(fine < 0.6 * coarse)


def test_bauschinger_yields_early_on_reversal():
    """Reverse yield at X - s_y, not at minus the forward stress."""
    point = Point(sheet("voce", TERMS[:1]))
    for strain in np.linspace(0.0, 0.03, 301)[1:]:
        t = point.hold(STRAIN_11, strain, UNIAXIAL)
    s1, p1 = stresses(t)[0], point.state[3]
    x1 = TERMS[0].saturation_MPa * -np.expm1(-TERMS[0].recovery * p1)
    at_yield = 0.03 - 2.0 * float(LAWS["voce"].stress(p1)) / E
    reverse = s1 - 2.0 * float(LAWS["voce"].stress(p1))
    assert reverse == pytest.approx(x1 - float(LAWS["voce"].stress(p1)), rel=2e-3)
    before = Point(sheet("voce", TERMS[:1]))
    before.state, before.e = point.state.copy(), point.e.copy()
    before.hold(STRAIN_11, at_yield + 1e-5, UNIAXIAL)
    assert before.state[3] == p1
    before.hold(STRAIN_11, at_yield - 1e-5, UNIAXIAL)
    assert before.state[3] > p1


class Solid:
    """Independent reference: 3-D J2 by backward Euler on deviators; e33 by root search."""

    def __init__(self, law, terms):
        self.law, self.terms = law, terms
        self.plastic, self.p = np.zeros((3, 3)), 0.0
        self.back = [np.zeros((3, 3)) for _ in terms]

    def at(self, strain, e33):
        full = np.array([[strain[0], strain[2] / 2, 0], [strain[2] / 2, strain[1], 0],
                         [0, 0, e33]])
        g, bulk = E / (2 * (1 + NU)), E / (3 * (1 - 2 * NU))
        elastic = full - self.plastic
        mean = bulk * np.trace(elastic)
        trial = 2 * g * (elastic - np.trace(elastic) / 3 * np.eye(3))

        def xi_at(u, q):
            ease = [1 / (1 + t.recovery * u) for t in self.terms]
            top = trial - sum((a * b for a, b in zip(ease, self.back, strict=True)),
                              np.zeros((3, 3)))
            stiff = 3 * g + sum(a * t.modulus_MPa for a, t in zip(ease, self.terms, strict=True))
            return top / (1 + u / q * stiff), ease

        def gap(u):
            q = float(self.law.stress(self.p + u))
            xi, _ = xi_at(u, q)
            return np.sqrt(1.5 * (xi * xi).sum()) - q

        if gap(0.0) <= 0:
            return trial + mean * np.eye(3), None
        u = brentq(gap, 0.0, 1.0, xtol=1e-16, rtol=1e-15)
        q = float(self.law.stress(self.p + u))
        xi, ease = xi_at(u, q)
        flow = 1.5 * u / q * xi
        back = [a * (b + 2 / 3 * t.modulus_MPa * flow)
                for a, b, t in zip(ease, self.back, self.terms, strict=True)]
        return trial - 2 * g * flow + mean * np.eye(3), (self.plastic + flow, self.p + u, back)

    def go(self, strain):
        e33 = brentq(lambda z: self.at(strain, z)[0][2, 2], -0.5, 0.5, xtol=1e-16, rtol=1e-15)
        stress, new = self.at(strain, e33)
        if new is not None:
            self.plastic, self.p, self.back = new
        return stress


@pytest.mark.parametrize("terms", [(), TERMS], ids=["isotropic", "backstress"])
@pytest.mark.parametrize("law", LAWS)
def test_plane_stress_holds_as_a_solid_would_have_it(law, terms):
    """The mapping in plane stress equals a 3-D one whose thickness strain makes s33 vanish."""
    generator = np.random.default_rng(3)
    point, solid = Point(sheet(law, terms)), Solid(LAWS[law], terms)
    e = np.zeros(3)
    for _ in range(12):
        e = e + generator.normal(0.0, 0.004, 3)
        strain = np.array([(e[0] + e[1]) / 2, (e[0] - e[1]) / 2, e[2]])
        ours = stresses(point.go(e))
        theirs = solid.go(strain)
        assert abs(theirs[2, 2]) < 1e-5
        assert ours == pytest.approx((theirs[0, 0], theirs[1, 1], theirs[0, 1]), abs=1e-5)
        assert point.state[3] == pytest.approx(solid.p, abs=1e-10)


@pytest.mark.parametrize("terms", [(), TERMS], ids=["isotropic", "backstress"])
@pytest.mark.parametrize("law", LAWS)
def test_dissipation_is_never_negative(law, terms):
    """Plastic work less what the backstress stores, sum 3/(4C) X:X, is at least s_y0 dp
    (second law for Armstrong-Frederick hardening)."""
    generator = np.random.default_rng(11)
    point = Point(sheet(law, terms))
    yield_stress = float(LAWS[law].stress(0.0))

    def stored(state):
        total = 0.0
        for k, term in enumerate(terms):
            s, d, g = state[5 + 3 * k : 8 + 3 * k]
            b11, b22 = (s + d) / 2, (s - d) / 2
            mean = (b11 + b22) / 3
            square = (b11 - mean) ** 2 + (b22 - mean) ** 2 + mean**2 + 2 * g * g
            total += 0.75 / term.modulus_MPa * square
        return total

    e, flowed = np.zeros(3), 0
    for _ in range(400):
        e = 0.97 * e + generator.normal(0.0, 0.0008, 3)
        before = point.state.copy()
        point.go(e)
        dp = point.state[3] - before[3]
        assert dp >= 0.0
        flowed += dp > 0.0
        spent = point.state[4] - before[4] - (stored(point.state) - stored(before))
        assert spent >= yield_stress * dp * (1 - 1e-9) - 1e-14
    assert flowed > 100


@pytest.mark.parametrize("terms", [(), TERMS[:1], TERMS], ids=["none", "one", "two"])
@pytest.mark.parametrize("law", LAWS)
def test_tangent_is_the_derivative_of_stress(law, terms):
    generator = np.random.default_rng(5)
    checked = 0
    for _ in range(40):
        point = Point(sheet(law, terms))
        point.go(generator.normal(0.0, 0.01, 3))
        e = point.e + generator.normal(0.0, 0.004, 3)
        _t, c, new = point.trial(e)
        table = LAWS["table"].strain if law == "table" else np.array([9.0])
        if new[3] == point.state[3] or np.abs(table - new[3]).min() < 1e-4:
            continue
        h = 1e-7
        numeric = np.empty((3, 3))
        for j in range(3):
            shift = np.zeros(3)
            shift[j] = h
            numeric[:, j] = (point.trial(e + shift)[0] - point.trial(e - shift)[0]) / (2 * h)
        assert np.abs(c - numeric).max() < 1e-6 * np.abs(c).max()
        symmetric = point.trial(e, symmetrise=True)[1]
        assert np.allclose(symmetric, 0.5 * (c + c.T), atol=1e-9 * np.abs(c).max())
        checked += 1
    assert checked >= 20


@pytest.mark.parametrize("terms", [(), TERMS], ids=["isotropic", "backstress"])
@pytest.mark.parametrize("law", LAWS)
def test_very_large_predictors_end_on_the_yield_surface(law, terms):
    """Strain increments up to 60 % in one step, and reversals of them."""
    generator = np.random.default_rng(7)
    for _ in range(60):
        point = Point(sheet(law, terms))
        for size in (10.0 ** generator.uniform(-3, -0.2), 0.3):
            direction = generator.normal(size=3)
            t = point.go(size * direction / np.linalg.norm(direction))
            s = point.state
            xi = np.array([2 * t[0], 2 * t[1], t[2]])
            for k in range(len(terms)):
                xi = xi - s[5 + 3 * k : 8 + 3 * k]
            mises = np.sqrt(xi[0] ** 2 / 4 + 0.75 * xi[1] ** 2 + 3 * xi[2] ** 2)
            q = float(LAWS[law].stress(s[3]))
            assert np.isfinite(s).all()
            if s[3] > 0.0:
                assert mises <= q * (1 + 1e-9)
    assert mises == pytest.approx(q, rel=1e-9)


def test_nothing_changes_at_rest():
    point = Point(sheet("swift", TERMS))
    point.go(np.array([0.01, 0.004, -0.006]))
    before = point.state.copy()
    t1 = point.go(point.e)
    t2 = point.go(point.e)
    assert np.allclose(point.state, before, rtol=1e-12, atol=1e-15)
    assert np.array_equal(t1, t2)
