"""What every yield criterion of rolled sheet tells: yields and r-values by angle, bounds.

The size of a stress is its equivalent stress. Stresses are also written as t = (sigma_s / 2,
sigma_d / 2, sigma_12), the work conjugates of (s, d, g) in the frame whose first axis is the
rolling direction.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simkit.errors import InputError

Array = NDArray[np.float64]
LARGEST_EXPONENT = 20


@dataclass(frozen=True)
class Criterion(ABC):
    """A yield criterion, scaled so that uniaxial tension along rolling is its own size.

    Attributes
    ----------
    name : one of :data:`simkit.material.directions.CRITERIA`.
    half_exponent : half of its even exponent.
    """

    name: str
    half_exponent: int

    @abstractmethod
    def packed(self) -> Array:
        """Numbers for the kernel :func:`simkit.material.measures.measure`, 1-D float64."""

    @abstractmethod
    def size(self, stress: ArrayLike) -> Array:
        """Equivalent stress of stresses (..., 3): 11, 22, 12 in the rolling frame; same unit."""

    @abstractmethod
    def gradient(self, t: Array, size: Array) -> Array:
        """Derivatives of the size by t (..., 3), where it is ``size`` (...)."""

    def flow(self, stress: ArrayLike) -> Array:
        """Plastic strain rates 11, 22, 12 (tensor components) per unit of equivalent plastic
        strain rate, (..., 3): the gradient of the size (associated flow)."""
        n = self.gradient(conjugate(stress), self.size(stress))
        return np.stack([0.5 * (n[..., 0] + n[..., 1]), 0.5 * (n[..., 0] - n[..., 1]),
                         0.5 * n[..., 2]], axis=-1)

    def yield_along(self, angle_rad: ArrayLike) -> Array:
        """Uniaxial yield stress at an angle to the rolling direction, over that along it."""
        return 1.0 / self.size(uniaxial(angle_rad))

    def r_along(self, angle_rad: ArrayLike) -> Array:
        """Ratio of width to thickness strain in uniaxial tension at an angle."""
        angle = np.asarray(angle_rad, dtype=float)
        rate = self.flow(uniaxial(angle))
        c, s = np.cos(angle), np.sin(angle)
        across = rate[..., 0] * s * s + rate[..., 1] * c * c - 2.0 * rate[..., 2] * s * c
        return np.asarray(-across / (rate[..., 0] + rate[..., 1]))

    def equibiaxial(self) -> float:
        """Yield stress in equal biaxial tension over that along rolling."""
        return 1.0 / float(self.size((1.0, 1.0, 0.0)))

    def plane_strain(self, angle_rad: float) -> float:
        """Largest principal stress in plane strain at an angle, over the yield along rolling.

        Plane strain is the point of the yield locus where the first principal stress is largest,
        because the flow has no component along the second axis there.
        """
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        ratio = np.linspace(-0.5, 1.0, 301)  # of the second principal stress to the first
        stress = np.stack([c * c + ratio * s * s, s * s + ratio * c * c, (1.0 - ratio) * c * s],
                          axis=-1)
        return float((1.0 / self.size(stress)).max())

    def above_mises(self) -> float:
        """Upper bound of the ratio of its size to the von Mises stress, over all stresses.

        The largest value at 181 x 181 directions, times 1.002 for directions in between.
        """
        around, up = np.meshgrid(np.linspace(0.0, np.pi, 181), np.linspace(0.0, np.pi, 181))
        t = np.stack([np.cos(around) * np.sin(up), np.sin(around) * np.sin(up), np.cos(up)],
                     axis=-1)
        stress = np.stack([t[..., 0] + t[..., 1], t[..., 0] - t[..., 1], t[..., 2]], axis=-1)
        mises = np.sqrt(t[..., 0] ** 2 + 3.0 * t[..., 1] ** 2 + 3.0 * t[..., 2] ** 2)
        return float(1.002 * (self.size(stress) / mises).max())


def conjugate(stress: ArrayLike) -> Array:
    """Stresses 11, 22, 12 (..., 3) as t = (sigma_s / 2, sigma_d / 2, sigma_12)."""
    s = np.asarray(stress, dtype=float)
    return np.stack([0.5 * (s[..., 0] + s[..., 1]), 0.5 * (s[..., 0] - s[..., 1]), s[..., 2]],
                    axis=-1)


def uniaxial(angle_rad: ArrayLike) -> Array:
    """Stresses 11, 22, 12 of unit tension at an angle, (..., 3)."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.stack([c * c, s * s, c * s], axis=-1)


def check_exponent(exponent: int) -> None:
    """Refuse an exponent that is not even and from 2 to 20.

    Raises
    ------
    InputError
    """
    if exponent % 2 or not 2 <= exponent <= LARGEST_EXPONENT:
        raise InputError(f"exponent {exponent}", f"an even number from 2 to {LARGEST_EXPONENT}",
                         key="exponent")
