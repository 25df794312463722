"""Hardening laws of the sheet: flow stress against equivalent plastic strain, and backstress.

Stresses are true stresses in MPa, strains true (logarithmic) strains; p is the equivalent plastic
strain of von Mises plasticity. In monotonic tension the axial stress is

    s(p) = sy(p) + sum_i C_i/gamma_i (1 - exp(-gamma_i p)),

the isotropic law sy plus the Armstrong-Frederick backstress terms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError
from simkit.material.locus import Criterion

Array = NDArray[np.float64]


@runtime_checkable
class HardeningLaw(Protocol):
    """Interface of all hardening laws: `stress(p)` and `slope(p)` in MPa, and kernel numbers.

    `kind` is 0 Swift, 1 Voce with linear term, 2 table; `packed()` is a 1-D float64 array.
    """

    kind: ClassVar[int]

    def stress(self, p: ArrayLike) -> Array:
        """Flow stress at plastic strain p, MPa."""
        ...

    def slope(self, p: ArrayLike) -> Array:
        """Derivative of the flow stress by p, MPa."""
        ...

    def packed(self) -> Array:
        """The law's numbers for the kernel, 1-D float64."""
        ...


def _require(ok: bool, what: str, expected: str) -> None:
    if not ok:
        raise InputError(what, expected)


@dataclass(frozen=True)
class Swift:
    """Swift law sy = K (e0 + p)^n (H. W. Swift 1952).

    Attributes
    ----------
    K_MPa : strength coefficient K > 0.
    strain_0 : offset strain e0 > 0, so that yield starts at K e0^n.
    n : exponent, 0 < n < 1.
    """

    K_MPa: float
    strain_0: float
    n: float
    kind: ClassVar[int] = 0

    def __post_init__(self) -> None:
        _require(0 < self.K_MPa < math.inf, f"Swift K_MPa {self.K_MPa}", "positive")
        _require(0 < self.strain_0 < 1, f"Swift strain_0 {self.strain_0}", "between 0 and 1")
        _require(0 < self.n < 1, f"Swift n {self.n}", "between 0 and 1")

    def stress(self, p: ArrayLike) -> Array:
        """Flow stress, MPa, at equivalent plastic strain p (any shape)."""
        return self.K_MPa * (self.strain_0 + np.asarray(p, dtype=float)) ** self.n

    def slope(self, p: ArrayLike) -> Array:
        """d sy / d p, MPa."""
        return self.n * self.K_MPa * (self.strain_0 + np.asarray(p, dtype=float)) ** (self.n - 1)

    def packed(self) -> Array:
        """[K, e0, n]."""
        return np.array([self.K_MPa, self.strain_0, self.n])


@dataclass(frozen=True)
class Voce:
    """Voce law sy = sat - (sat - y0) exp(-rate p) + linear p (E. Voce 1948).

    Attributes
    ----------
    yield_MPa : flow stress y0 at p = 0, > 0.
    saturation_MPa : sat >= y0, where the exponential part ends.
    rate : rate of saturation with plastic strain, > 0, no unit.
    linear_MPa : slope of the linear term, >= 0.
    """

    yield_MPa: float
    saturation_MPa: float
    rate: float
    linear_MPa: float = 0.0
    kind: ClassVar[int] = 1

    def __post_init__(self) -> None:
        _require(0 < self.yield_MPa < math.inf, f"Voce yield_MPa {self.yield_MPa}", "positive")
        _require(self.yield_MPa <= self.saturation_MPa < math.inf,
                 f"Voce saturation_MPa {self.saturation_MPa}", "not below yield_MPa")
        _require(0 < self.rate < math.inf, f"Voce rate {self.rate}", "positive")
        _require(0 <= self.linear_MPa < math.inf, f"Voce linear_MPa {self.linear_MPa}",
                 "zero or positive")

    def stress(self, p: ArrayLike) -> Array:
        """Flow stress, MPa, at equivalent plastic strain p (any shape)."""
        p = np.asarray(p, dtype=float)
        rise = self.saturation_MPa - self.yield_MPa
        return self.saturation_MPa - rise * np.exp(-self.rate * p) + self.linear_MPa * p

    def slope(self, p: ArrayLike) -> Array:
        """d sy / d p, MPa."""
        rise = self.saturation_MPa - self.yield_MPa
        decay = np.exp(-self.rate * np.asarray(p, dtype=float))
        return rise * self.rate * decay + self.linear_MPa

    def packed(self) -> Array:
        """[y0, sat, rate, linear]."""
        return np.array([self.yield_MPa, self.saturation_MPa, self.rate, self.linear_MPa])


@dataclass(frozen=True, eq=False)
class TableLaw:
    """Flow stress given at points, linear in between and constant after the last.

    Attributes
    ----------
    strain : plastic strains, shape (m,), first 0, strictly rising, m >= 2.
    stress_MPa : flow stresses, shape (m,), positive, never falling.
    """

    strain: Array
    stress_MPa: Array
    kind: ClassVar[int] = 2

    def __post_init__(self) -> None:
        for name in ("strain", "stress_MPa"):
            column = np.array(getattr(self, name), dtype=float)
            column.flags.writeable = False
            object.__setattr__(self, name, column)
        e, s = self.strain, self.stress_MPa
        _require(e.ndim == 1 and e.shape == s.shape and e.size >= 2,
                 f"hardening table of shapes {e.shape} and {s.shape}",
                 "two columns of equal length, at least 2 rows")
        _require(bool(np.isfinite(e).all() and np.isfinite(s).all()),
                 "hardening table with a value that is not a finite number", "finite numbers")
        _require(e[0] == 0.0 and bool((np.diff(e) > 0).all()),
                 "hardening table whose strains do not rise from 0",
                 "strains that start at 0 and rise strictly")
        _require(s[0] > 0 and bool((np.diff(s) >= 0).all()),
                 "hardening table whose stress is not positive or falls",
                 "positive stresses that never fall")

    def stress(self, p: ArrayLike) -> Array:
        """Flow stress, MPa, at equivalent plastic strain p (any shape)."""
        return np.asarray(np.interp(np.asarray(p, dtype=float), self.strain, self.stress_MPa))

    def slope(self, p: ArrayLike) -> Array:
        """d sy / d p, MPa; at a point of the table, that of the interval after it."""
        rates = np.append(np.diff(self.stress_MPa) / np.diff(self.strain), 0.0)
        index = np.searchsorted(self.strain, np.asarray(p, dtype=float), side="right") - 1
        return rates[np.clip(index, 0, None)]

    def packed(self) -> Array:
        """[m, p_0 .. p_{m-1}, s_0 .. s_{m-1}]."""
        return np.concatenate([[self.strain.size], self.strain, self.stress_MPa])


@dataclass(frozen=True)
class Backstress:
    """One Armstrong-Frederick term dX = 2/3 C dep - gamma X dp (Armstrong and Frederick 1966).

    Attributes
    ----------
    modulus_MPa : C > 0, initial slope of the axial backstress.
    recovery : gamma > 0; the axial backstress saturates at C/gamma.
    """

    modulus_MPa: float
    recovery: float

    def __post_init__(self) -> None:
        _require(0 < self.modulus_MPa < math.inf, f"backstress modulus {self.modulus_MPa}",
                 "positive")
        _require(0 < self.recovery < math.inf, f"backstress recovery {self.recovery}", "positive")

    @property
    def saturation_MPa(self) -> float:
        """Axial backstress C/gamma after long monotonic straining."""
        return self.modulus_MPa / self.recovery

    def tension(self, p: ArrayLike) -> Array:
        """Axial backstress, MPa, in monotonic tension: C/gamma (1 - exp(-gamma p))."""
        return -self.saturation_MPa * np.expm1(-self.recovery * np.asarray(p, dtype=float))

    def tension_slope(self, p: ArrayLike) -> Array:
        """Derivative of `tension`, MPa."""
        return self.modulus_MPa * np.exp(-self.recovery * np.asarray(p, dtype=float))


@dataclass(frozen=True)
class ModulusFall:
    """Young's modulus that falls with plastic strain: E(p) = E (share + (1 - share) exp(-rate p)).

    Yoshida, Uemori and Fujiwara 2002, Int. J. Plasticity 18:633 (form from memory): E - (E - Ea)
    (1 - exp(-xi p)), share = Ea / E, rate = xi. Poisson's ratio stays.

    Attributes
    ----------
    share : modulus after much plastic strain over that without, above 0 and at most 1.
    rate : rate of the fall with plastic strain, > 0, no unit.
    """

    share: float
    rate: float

    def __post_init__(self) -> None:
        _require(0 < self.share <= 1, f"share of the modulus {self.share}", "above 0, at most 1")
        _require(0 < self.rate < math.inf, f"rate of the modulus {self.rate}", "positive")

    def at(self, p: ArrayLike) -> Array:
        """E(p) / E at plastic strain p (any shape)."""
        return self.share + (1.0 - self.share) * np.exp(-self.rate * np.asarray(p, dtype=float))


@dataclass(frozen=True)
class Sheet:
    """Material data of a sheet metal for the solver.

    Attributes
    ----------
    name : name of the grade.
    E_MPa, nu : Young's modulus and Poisson's ratio.
    hardening : isotropic law; with backstress terms it is only the isotropic share.
    backstress : none, one or two Armstrong-Frederick terms.
    strain_range : largest equivalent plastic strain for which the law may be used.
    density_kg_m3 : mass density; a static run needs it only for the weight of a part.
    criterion : yield criterion of rolled sheet, about `rolling_rad`; None: von Mises.
    rolling_rad : angle from the panel's x axis to the rolling direction, seen from outside.
    modulus_fall : fall of the modulus with plastic strain; None: E stays.
    """

    name: str
    E_MPa: float
    nu: float
    hardening: HardeningLaw
    backstress: tuple[Backstress, ...] = ()
    strain_range: float = 0.15
    density_kg_m3: float = 7850.0
    criterion: Criterion | None = None
    rolling_rad: float = 0.0
    modulus_fall: ModulusFall | None = None

    def __post_init__(self) -> None:
        _require(0 < self.E_MPa < math.inf, f"E_MPa {self.E_MPa}", "positive")
        _require(0 <= self.nu < 0.5, f"nu {self.nu}", "0 or more and below 0.5")
        _require(0 < self.strain_range < math.inf, f"strain_range {self.strain_range}", "positive")
        _require(0 < self.density_kg_m3 < math.inf, f"density_kg_m3 {self.density_kg_m3}",
                 "positive")
        _require(len(self.backstress) <= 2, f"{len(self.backstress)} backstress terms",
                 "at most 2")

    def tension(self, p: ArrayLike) -> Array:
        """True stress, MPa, in monotonic tension at equivalent plastic strain p."""
        return self.hardening.stress(p) + sum(term.tension(p) for term in self.backstress)

    def tension_slope(self, p: ArrayLike) -> Array:
        """Derivative of `tension`, MPa."""
        return self.hardening.slope(p) + sum(term.tension_slope(p) for term in self.backstress)

    def backstress_packed(self) -> Array:
        """Rows [C, gamma], shape (number of terms, 2)."""
        rows = [[term.modulus_MPa, term.recovery] for term in self.backstress]
        return np.array(rows, dtype=float).reshape(len(rows), 2)


def geometric_strains(first: float, last: float, points: int) -> Array:
    """Strains 0, first, ..., last in geometric progression after the 0; shape (points,)."""
    return np.concatenate([[0.0], np.geomspace(first, last, points - 1)])


def split_isotropic(law: HardeningLaw, backstress: Sequence[Backstress], *,
                    last_strain: float = 0.6, points: int = 160,
                    dip_limit: float = 0.01) -> TableLaw:
    """Isotropic share of a measured monotonic law when backstress terms carry the rest.

    sy(p) = law(p) - sum C/gamma (1 - exp(-gamma p)), so that isotropic and backstress parts
    together reproduce `law` in monotonic tension. Where sy falls by less than `dip_limit` of its
    largest value so far, it is held constant (tension is then above `law` by that much); a larger
    fall raises InputError.

    Raises
    ------
    InputError : the backstress exceeds the flow stress, or rises faster than it.
    """
    p = geometric_strains(2.0e-5, last_strain, points)
    share = law.stress(p) - sum(term.tension(p) for term in backstress)
    level = np.maximum.accumulate(share)
    _require(bool((share > 0).all()),
             f"backstress takes the whole flow stress at plastic strain {p[np.argmin(share)]:.3g}",
             "a smaller modulus C or a larger recovery gamma")
    dip = float(((level - share) / level).max())
    _require(dip <= dip_limit,
             f"backstress rises faster than the measured curve: isotropic share falls {dip:.1%}",
             f"a smaller modulus C, so that it falls at most {dip_limit:.1%}")
    return TableLaw(p, level)
