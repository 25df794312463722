"""The tensile test of a sheet, and laws derived from the results of such a test.

Rp0.2 and Rm are engineering stresses (MPa), Ag is the plastic engineering strain at the largest
load. Volume is taken as constant: engineering stress = s exp(-e), with e = p + s/E.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from simkit.errors import InputError
from simkit.material.hardening import Backstress, Sheet, Swift, Voce

PROOF_STRAIN = 0.002
"""Plastic extension at which Rp0.2 is read."""

FURTHEST_STRAIN = 1.5
"""Largest plastic strain up to which the largest load is searched."""


@dataclass(frozen=True)
class TensileResult:
    """Results of a tensile test.

    Attributes
    ----------
    Rp02_MPa : proof stress at 0.2 % plastic extension.
    Rm_MPa : tensile strength.
    Ag : plastic extension at the largest load, no unit (0.2 is 20 %).
    """

    Rp02_MPa: float
    Rm_MPa: float
    Ag: float


def tensile_test(sheet: Sheet) -> TensileResult:
    """Rp0.2, Rm and Ag computed from a sheet's law in monotonic tension.

    The largest load is where ds/de = s (Considere 1885), with 1/(ds/de) = 1/(ds/dp) + 1/E. A law
    with ds/de < s at yield necks there at once.

    Raises
    ------
    InputError : no largest load before a plastic strain of 1.5.
    """

    def strain(p: float) -> float:
        return p + float(sheet.tension(p)) / sheet.E_MPa

    def engineering(p: float) -> float:
        return float(sheet.tension(p)) * math.exp(-strain(p))

    def extension(p: float) -> float:
        """Plastic engineering strain: total less the elastic strain of unloading."""
        return math.expm1(strain(p)) - engineering(p) / sheet.E_MPa

    def surplus(p: float) -> float:
        """ds/de - s: positive before the largest load."""
        slope = float(sheet.tension_slope(p))
        return slope / (1.0 + slope / sheet.E_MPa) - float(sheet.tension(p))

    if surplus(FURTHEST_STRAIN) > 0:
        raise InputError(f"{sheet.name}: no largest load in tension",
                         f"a law that necks before a plastic strain of {FURTHEST_STRAIN}")
    p_proof = _root(lambda p: extension(p) - PROOF_STRAIN, 0.0, 0.01)
    p_neck = _root(surplus, 0.0, FURTHEST_STRAIN) if surplus(0.0) > 0 else 0.0
    return TensileResult(engineering(p_proof), engineering(p_neck), extension(p_neck))


def swift_from_exponent(Rp02_MPa: float, Rm_MPa: float, n: float) -> Swift:
    """Swift law with exponent n through Rp0.2 and Rm.

    Considere with elastic strain neglected: p_u = n - e0, K n^n exp(-(n - e0)) = Rm; and
    K (e0 + 0.002)^n = 1.002 Rp0.2. One equation remains, for e0.
    """

    def law(strain_0: float) -> Swift:
        return Swift(Rm_MPa * math.exp(n - strain_0) / n**n, strain_0, n)

    strain_0 = _fit(lambda e0: _proof_excess(law(e0), Rp02_MPa), 1.0e-7, n,
                    f"Rp0.2 {Rp02_MPa:g}, Rm {Rm_MPa:g} MPa, n {n:g}")
    return law(strain_0)


def swift_from_elongation(Rp02_MPa: float, Rm_MPa: float, Ag: float) -> Swift:
    """Swift law through Rp0.2, Rm and the uniform elongation Ag (no unit).

    Considere with elastic strain neglected: p_u = ln(1 + Ag) = n - e0 and K n^n = Rm (1 + Ag);
    and K (e0 + 0.002)^n = 1.002 Rp0.2. One equation remains, for e0.
    """

    def law(strain_0: float) -> Swift:
        n = strain_0 + math.log1p(Ag)
        return Swift(Rm_MPa * (1.0 + Ag) / n**n, strain_0, n)

    strain_0 = _fit(lambda e0: _proof_excess(law(e0), Rp02_MPa), 1.0e-7, 0.999 - math.log1p(Ag),
                    f"Rp0.2 {Rp02_MPa:g}, Rm {Rm_MPa:g} MPa, Ag {Ag:g}")
    return law(strain_0)


def voce_from_elongation(Rp02_MPa: float, Rm_MPa: float, Ag: float) -> Voce:
    """Voce law through Rp0.2, Rm and the uniform elongation Ag (no unit).

    Considere with elastic strain neglected, s_u = Rm (1 + Ag) at p_u = ln(1 + Ag):
    sat = s_u (1 + 1/rate), sat - y0 = s_u/rate exp(rate p_u); and s(0.002) = 1.002 Rp0.2.
    One equation remains, for the rate.
    """
    p_u, s_u = math.log1p(Ag), Rm_MPa * (1.0 + Ag)

    def stress(rate: float, p: float) -> float:
        return s_u * (1.0 + 1.0 / rate) - s_u / rate * math.exp(rate * (p_u - p))

    rate = _fit(lambda rate: stress(rate, PROOF_STRAIN) - (1.0 + PROOF_STRAIN) * Rp02_MPa,
                1.0e-3, 12.0 / p_u, f"Rp0.2 {Rp02_MPa:g}, Rm {Rm_MPa:g} MPa, Ag {Ag:g}")
    return Voce(stress(rate, 0.0), s_u * (1.0 + 1.0 / rate), rate)


def swift_baked(Rp02_MPa: float, Rm_MPa: float, n: float, work_hardening_MPa: float,
                bake_MPa: float, prestrain: float) -> Swift:
    """Swift law of a bake-hardening steel after stretching by `prestrain` and baking.

    The proof stress rises by work hardening and bake hardening. Stretching has used part of the
    uniform elongation and reduced the cross-section: Rm' = Rm (1 + prestrain),
    1 + Ag' = (1 + Ag)/(1 + prestrain). A rise of Rm by baking is neglected.
    """
    delivered = swift_from_exponent(Rp02_MPa, Rm_MPa, n)
    Ag = math.exp(delivered.n - delivered.strain_0) - 1.0
    return swift_from_elongation(Rp02_MPa + work_hardening_MPa + bake_MPa,
                                 Rm_MPa * (1.0 + prestrain), (1.0 + Ag) / (1.0 + prestrain) - 1.0)


def backstress_from_shutov(c_MPa: float, kappa: float) -> Backstress:
    """Armstrong-Frederick term equal at small strains to one branch of Shutov's model.

    In that model X' = c (ep' - kappa X |ep'|) with Frobenius norms, |ep'| = sqrt(3/2) p', so
    C = 3/2 c and gamma = sqrt(3/2) c kappa; the axial saturation is sqrt(3/2)/kappa. `kappa` in
    1/MPa. The small-strain form is our reading of the finite-strain model (from memory).
    """
    return Backstress(1.5 * c_MPa, math.sqrt(1.5) * c_MPa * kappa)


def _proof_excess(law: Swift, Rp02_MPa: float) -> float:
    """True stress of the law at the proof strain, less that of Rp0.2, MPa."""
    return float(law.stress(PROOF_STRAIN)) - (1.0 + PROOF_STRAIN) * Rp02_MPa


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-14, rtol=8 * np.finfo(float).eps))


def _fit(function: Callable[[float], float], low: float, high: float, of_what: str) -> float:
    """Root of `function` between low and high; InputError if there is none."""
    if function(low) * function(high) > 0:
        raise InputError(f"no hardening law passes through {of_what}",
                         "a lower Rp0.2, a higher Rm or another uniform elongation")
    return _root(function, low, high)
