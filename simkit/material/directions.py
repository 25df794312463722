"""Measurements along several directions of a rolled sheet, and the yield criterion fitted to them.

Yield stresses are given as ratios to that along the rolling direction, at equal plastic work. The
eight coefficients of Yld2000-2d are fitted by least squares to all measurements together; Hill's
criterion of 1948 uses three r-values directly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from simkit.errors import InputError, one_of
from simkit.material.criterion import Criterion, hill48, yld2000

Array = NDArray[np.float64]
CRITERIA = ("mises", "hill48", "yld2000-2d")
"""Criteria a sheet may be given."""
YIELD_SPREAD, R_SPREAD, PLANE_SPREAD = 0.005, 0.03, 0.01
"""Spreads by which the deviations of the fit are divided: yield ratios, r-values, yield ratios in
plane strain. ESTIMATE, chosen so that no kind of measurement is fitted at the cost of another; the
numbers of two laboratories for one sheet differ by up to 0.06 in yield ratio and 0.17 in r."""


@dataclass(frozen=True)
class Directions:
    """Measurements along several directions of a sheet.

    Attributes
    ----------
    angle_deg : angles to the rolling direction, rising from 0.
    yields, r_values : yield ratios and r-values at those angles; the first yield ratio is 1.
    equibiaxial : yield ratio in equal biaxial tension; None: not measured.
    plane_0, plane_90 : largest principal stress in plane strain along and across rolling, over the
        yield along rolling; None: not measured.
    exponent : exponent of Yld2000-2d, 8 for aluminium, 6 for steel.
    """

    angle_deg: tuple[float, ...]
    yields: tuple[float, ...]
    r_values: tuple[float, ...]
    equibiaxial: float | None = None
    plane_0: float | None = None
    plane_90: float | None = None
    exponent: int = 8

    def criterion(self, name: str) -> Criterion | None:
        """The criterion of that name for these measurements; None for von Mises.

        Raises
        ------
        InputError : an unknown name; angles 0, 45 or 90 missing; too few measurements to fit.
        """
        if name not in CRITERIA:
            raise InputError(f"yield criterion '{name}'", one_of(name, CRITERIA), key="criterion")
        if name == "mises":
            return None
        return self._hill() if name == "hill48" else fitted(self)

    def _hill(self) -> Criterion:
        by_angle = dict(zip(self.angle_deg, self.r_values, strict=True))
        missing = [angle for angle in (0.0, 45.0, 90.0) if angle not in by_angle]
        if missing:
            raise InputError(f"no r-value at {missing[0]:g} degrees", "r-values at 0, 45 and 90")
        return hill48(by_angle[0.0], by_angle[45.0], by_angle[90.0])


def fitted(measured: Directions) -> Criterion:
    """Yld2000-2d by least squares over yields, r-values and the equibiaxial yield."""
    return yld2000(fit_coefficients(measured), measured.exponent)


@cache
def fit_coefficients(measured: Directions) -> tuple[float, ...]:
    """The eight coefficients, with the yield along rolling exactly 1.

    Raises
    ------
    InputError : fewer measurements than coefficients.
    """
    angles = np.radians(measured.angle_deg)
    others = [(value, spread, read) for value, spread, read in (
        (measured.equibiaxial, YIELD_SPREAD, lambda trial: trial.equibiaxial()),
        (measured.plane_0, PLANE_SPREAD, lambda trial: trial.plane_strain(0.0)),
        (measured.plane_90, PLANE_SPREAD, lambda trial: trial.plane_strain(0.5 * np.pi)))
        if value is not None]
    count = 2 * angles.size + len(others)
    if count < 8:
        raise InputError(f"{count} measurements for eight coefficients",
                         "yields and r-values along at least four directions, or hill48")
    yields, r_values = np.array(measured.yields), np.array(measured.r_values)

    def miss(alpha: Array) -> Array:
        # the first row fixes the common factor of the coefficients; the other rows do not depend
        # on it, because the trial is scaled to unit yield along rolling
        size = float(yld2000(alpha, measured.exponent).size((1.0, 0.0, 0.0)))
        trial = yld2000(alpha / size, measured.exponent)
        gaps = [np.array([size - 1.0]), (trial.yield_along(angles) - yields) / YIELD_SPREAD,
                (trial.r_along(angles) - r_values) / R_SPREAD]
        gaps += [np.array([(read(trial) - value) / spread]) for value, spread, read in others]
        return np.concatenate(gaps)

    found = least_squares(miss, np.ones(8), xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    found = found / yld2000(found, measured.exponent).size((1.0, 0.0, 0.0))
    return tuple(float(value) for value in found)


def directions_of(values: Mapping[str, float]) -> Directions | None:
    """Directions from the numbers of a grade (``yield_15``, ``r_15``, ``yield_biaxial``,
    ``yield_plane_0``, ``exponent``); None if it has no r-values."""
    angles = sorted(int(name[2:]) for name in values if name.startswith("r_"))
    if not angles:
        return None
    return Directions(tuple(float(a) for a in angles),
                      tuple(values.get(f"yield_{a}", 1.0) for a in angles),
                      tuple(values[f"r_{a}"] for a in angles), values.get("yield_biaxial"),
                      values.get("yield_plane_0"), values.get("yield_plane_90"),
                      round(values.get("exponent", 8)))
