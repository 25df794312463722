"""Isotropic hardening and backstress fitted to a test in tension with reversals.

A strip is pulled, pressed back, perhaps pulled again, while true strain and true stress are read.
Isotropic hardening by Voce's law and one or two Armstrong-Frederick terms
(:class:`simkit.material.hardening.Backstress`) are fitted by least squares to all readings.

Between two readings the strain goes one way (sign s) and the law is integrated exactly: with u the
increment of plastic strain, X_k(u) = s C/gamma + (X_k - s C/gamma) exp(-gamma u), and u is the root
of s (E (e - e_p - s u) - sum X_k(u)) = sy(p + u).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from simkit.errors import InputError
from simkit.material.hardening import Backstress, Voce

Array = NDArray[np.float64]
LEAST_READINGS = 12
LEAST_REVERSED = 0.001
"""Plastic strain that the test must reach in both directions, so that a backstress shows."""
BEGINNINGS = ((10.0, 60.0), (10.0, 300.0), (60.0, 30.0))
"""Where the search begins: rate of Voce's law and recovery of the backstress (of its faster term;
the other has a tenth). The best of the ends is taken."""
PERFECT_MPA = 1e-6
"""A root mean square below which no other beginning is tried."""


@dataclass(frozen=True, eq=False)
class Readings:
    """One test: true strain (no unit) and true stress (MPa) in the order of the test, (n,)."""

    strain: Array
    stress_MPa: Array

    def __post_init__(self) -> None:
        for name in ("strain", "stress_MPa"):
            object.__setattr__(self, name, np.array(getattr(self, name), dtype=float))
        e, s = self.strain, self.stress_MPa
        if e.ndim != 1 or e.shape != s.shape or e.size < LEAST_READINGS:
            raise InputError(f"{e.size} readings of a test with reversed loading",
                             f"strain and stress of at least {LEAST_READINGS}")
        if not (np.isfinite(e).all() and np.isfinite(s).all()):
            raise InputError("a reading that is not a finite number", "finite numbers")
        if float(np.abs(e).max()) > 0.5:
            raise InputError(f"a strain of {np.abs(e).max():g}",
                             "true strain without unit, 0.02 for 2 %, at most 0.5")

    def weights(self) -> Array:
        """Share of each reading in the strain path (sum 1), so that dense readings do not count
        more."""
        way = np.abs(np.diff(self.strain, prepend=self.strain[:1]))
        both = way + np.append(way[1:], 0.0)
        return np.asarray(both / both.sum())


@dataclass(frozen=True)
class ReversalFit:
    """Laws fitted to tests with reversals.

    Attributes
    ----------
    E_MPa : Young's modulus, given or fitted.
    isotropic, backstress : the laws for :class:`simkit.material.hardening.Sheet`.
    rms_MPa : root mean square of the deviation of stress along the strain path.
    readings : number of readings; largest_strain : plastic strain of the whole path.
    """

    E_MPa: float
    isotropic: Voce
    backstress: tuple[Backstress, ...]
    rms_MPa: float
    readings: int
    largest_strain: float

    def says(self) -> str:
        """The laws in one sentence."""
        law = self.isotropic
        terms = " and ".join(f"C {term.modulus_MPa:.0f} MPa, gamma {term.recovery:.4g}"
                             for term in self.backstress)
        return (f"{self.readings} readings give Voce {law.yield_MPa:.1f} to "
                f"{law.saturation_MPa:.1f} MPa, rate {law.rate:.3g}, backstress {terms}; "
                f"off by {self.rms_MPa:.1f} MPa rms")


@nb.njit(cache=True)
def _path(strain, young, law, terms, stress):
    """Write the stress (n,) along a strain path (n,); law (3,): y0, sat, rate; terms (k, 2).

    Returns the equivalent plastic strain at the end, and the least and largest plastic strain.
    """
    back = np.zeros(terms.shape[0])
    plastic = spent = least = most = 0.0
    for i in range(strain.size):
        trial = young * (strain[i] - plastic)
        x = back.sum()
        sign = 1.0 if trial > x else -1.0
        rise = (law[1] - law[0]) * math.exp(-law[2] * spent)
        over = sign * (trial - x) - (law[1] - rise)
        if over > 0.0:
            low, high, u = 0.0, over / young, 0.0
            # without hardening u would be `high`; the backstress only rises towards C/gamma
            for _ in range(100):
                x, slope = 0.0, 0.0
                for k in range(terms.shape[0]):
                    end = sign * terms[k, 0] / terms[k, 1]
                    decay = math.exp(-terms[k, 1] * u)
                    x += end + (back[k] - end) * decay
                    slope -= sign * terms[k, 1] * (back[k] - end) * decay
                fall = rise * math.exp(-law[2] * u)
                gap = sign * (trial - x) - young * u - (law[1] - fall)
                if gap > 0.0:
                    low = u
                else:
                    high = u
                if abs(gap) <= 1e-12 * law[1]:
                    break
                ahead = u + gap / (young + slope + law[2] * fall)
                u = ahead if low < ahead < high else 0.5 * (low + high)
            for k in range(terms.shape[0]):
                end = sign * terms[k, 0] / terms[k, 1]
                back[k] = end + (back[k] - end) * math.exp(-terms[k, 1] * u)
            plastic += sign * u
            spent += u
            least, most = min(least, plastic), max(most, plastic)
        stress[i] = young * (strain[i] - plastic)
    return spent, least, most


def stress_along(strain: Array, E_MPa: float, law: Voce,
                 backstress: Sequence[Backstress]) -> Array:
    """Axial stress, MPa, of a strip led along a path of true strains (n,)."""
    stress = np.empty(len(strain))
    _path(np.asarray(strain, dtype=float), E_MPa,
          np.array([law.yield_MPa, law.saturation_MPa, law.rate]), _packed(backstress), stress)
    return stress


def fit_reversal(tests: Sequence[Readings], E_MPa: float | None = None,
                 terms: int = 1) -> ReversalFit:
    """Voce's law and ``terms`` (1 or 2) backstress terms by least squares over the tests.

    Each test counts alike; E_MPa None: Young's modulus is fitted, too.

    Raises
    ------
    InputError : no test, a number of terms that is not 1 or 2, or no reversal in the readings.
    """
    if not tests or terms not in (1, 2):
        raise InputError(f"{len(tests)} tests, {terms} terms", "a test; 1 or 2 terms", key="terms")
    shares = [np.sqrt(test.weights() / len(tests)) for test in tests]
    top = max(float(np.abs(test.stress_MPa).max()) for test in tests)
    if top <= 0.0:
        raise InputError("no stress in any reading", "stresses in MPa")
    _check_reversed(tests, 200e3 if E_MPa is None else E_MPa)

    def laws(x: Array) -> tuple[float, Voce, tuple[Backstress, ...]]:
        v = [float(value) for value in np.exp(x)]
        back = tuple(Backstress(v[3 + 2 * k] * v[4 + 2 * k], v[4 + 2 * k]) for k in range(terms))
        return (v[-1] if E_MPa is None else E_MPa), Voce(v[0], v[0] + v[1], v[2]), back

    def miss(x: Array) -> Array:
        young, law, back = laws(x)
        return np.concatenate([
            share * (stress_along(test.strain, young, law, back) - test.stress_MPa)
            for test, share in zip(tests, shares, strict=True)])

    best = None
    for rate, recovery in BEGINNINGS:
        start = [0.5 * top, 0.2 * top, rate]
        for k in range(terms):
            start += [0.25 * top / terms, recovery * 0.1**k]
        bounds = [(1e-3 * top, 2.0 * top), (1e-6 * top, 5.0 * top), (0.05, 2000.0)]
        bounds += [(1e-6 * top, 5.0 * top), (0.05, 5000.0)] * terms
        if E_MPa is None:
            start.append(150e3)
            bounds.append((1e4, 1e6))
        low, high = np.log(np.array(bounds)).T
        found = least_squares(miss, np.log(start), bounds=(low, high), xtol=1e-11, ftol=1e-11)
        best = found if best is None or found.cost < best.cost else best
        if math.sqrt(2.0 * best.cost) < PERFECT_MPA:
            break
    assert best is not None
    young, law, back = laws(best.x)
    spent = max(_path(test.strain, young, np.array([law.yield_MPa, law.saturation_MPa, law.rate]),
                      _packed(back), np.empty(test.strain.size))[0] for test in tests)
    back = tuple(sorted(back, key=lambda term: -term.recovery))
    return ReversalFit(young, law, back, math.sqrt(2.0 * best.cost),
                       sum(test.strain.size for test in tests), float(spent))


def _packed(backstress: Sequence[Backstress]) -> Array:
    return np.array([[term.modulus_MPa, term.recovery] for term in backstress],
                    dtype=float).reshape(len(backstress), 2)


def _check_reversed(tests: Sequence[Readings], young: float) -> None:
    """Refuse tests in none of which plastic strain (strain less stress over E) goes both ways."""
    for test in tests:
        plastic = test.strain - test.stress_MPa / young
        forth = float((plastic - np.minimum.accumulate(plastic)).max())
        back = float((np.maximum.accumulate(plastic) - plastic).max())
        if min(forth, back) >= LEAST_REVERSED:
            return
    raise InputError("readings without reversed plastic strain",
                     "a test that is pulled and then pressed (or the reverse), each by at least "
                     f"{LEAST_REVERSED:g} of plastic strain")
