"""Dents described by a few lengths: bowls and creases with a raised crown.

Every shape is d = -depth g(s), where s(x, y) grows from 0 at the centre through 1 at the rim:

    g(s) = (1 - s) exp(-b s)        with b exp(b) = depth / (e crown), so b = W(depth/(e crown))
    g(s) = (1 - s)^3, 0 for s > 1   when there is no crown

W is Lambert's function. The first has g(0) = 1, g(1) = 0 and its lowest value
-exp(-(1 + b))/b = -crown/depth at s = 1 + 1/b: depth and crown come out exactly and d crosses
zero exactly at the rim. The second touches zero at the rim with two zero derivatives. With u
along the shape's length and v across it, both from the centre,

    bowl      s = (2u/length)^2 + (2v/width)^2
    crease    s = (2u/length)^4 + (sqrt(v^2 + a^2) - a) / (sqrt(h^2 + a^2) - a),   h = width/2

The crease's section is a V rounded at the bottom; `a` follows from the radius R there,
1/R = depth (1 + b) s_vv (3 in place of 1 + b without a crown): a = q / sqrt(h^2 - 2q) with
q = R depth (1 + b). The fields are C2 or smoother. Formulas: our own.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import cos, exp, hypot, radians, sin, sqrt
from typing import Protocol

import numpy as np
from scipy.special import lambertw

from simkit.dent.field import LARGEST_REASONABLE_DEPTH_MM, Array, Extent
from simkit.errors import InputError

LARGEST_CROWN_SHARE = 0.5


@dataclass(frozen=True)
class Bowl:
    """A round or elongated bowl, all lengths in mm.

    ``x_mm, y_mm`` centre; ``depth_mm`` > 0 at the centre; ``length_mm`` and ``width_mm`` between
    the zero crossings along and across; ``angle_deg`` from the x axis to the length,
    counter-clockwise; ``crown_mm`` height of the crown, 0 to half of the depth.
    """

    x_mm: float
    y_mm: float
    depth_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float = 0.0
    crown_mm: float = 0.0

    def distance(self, u: Array, v: Array) -> Array:
        """s(u, v) of the module's formula, 0 at the centre and 1 at the rim."""
        return (2.0 * u / self.length_mm) ** 2 + (2.0 * v / self.width_mm) ** 2

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        return depth_of(self, x, y)

    def places(self) -> Array:
        """(1, 2) its middle, which must lie on the panel."""
        return np.array([[self.x_mm, self.y_mm]])

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        return reach_of(self)

    def check(self, key: str) -> None:
        """Raise `InputError` with ``key`` and field if a number is outside its plausible range."""
        check_shape(self, key)


@dataclass(frozen=True)
class Crease:
    """A crease: long, V-shaped across; fields as of `Bowl`.

    ``radius_mm`` is the radius across the bottom at the centre: the smaller, the sharper;
    ``None``: a quarter of the radius that a bowl of this width and depth has there.
    """

    x_mm: float
    y_mm: float
    depth_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float = 0.0
    crown_mm: float = 0.0
    radius_mm: float | None = None

    def distance(self, u: Array, v: Array) -> Array:
        """s(u, v) of the module's formula, 0 at the centre and 1 at the rim."""
        half = 0.5 * self.width_mm
        radius = 0.25 * bowl_radius(self) if self.radius_mm is None else self.radius_mm
        q = radius * self.depth_mm * rim_slope(self)
        a = q / sqrt(half**2 - 2.0 * q)
        across = (np.sqrt(v**2 + a**2) - a) / (hypot(half, a) - a)
        return (2.0 * u / self.length_mm) ** 4 + across

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        return depth_of(self, x, y)

    def places(self) -> Array:
        """(1, 2) its middle, which must lie on the panel."""
        return np.array([[self.x_mm, self.y_mm]])

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        return reach_of(self)

    def check(self, key: str) -> None:
        """Raise `InputError` with ``key`` and field if a number is outside its plausible range."""
        check_shape(self, key)


class Shape(Protocol):
    """A described shape."""

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm]."""
        ...

    def places(self) -> Array:
        """(n, 2) places that must lie on the panel."""
        ...

    def reach(self) -> Extent:
        """Rectangle outside which the deviation of the shape is negligible."""
        ...

    def check(self, key: str) -> None:
        """Raise `InputError` with ``key`` and field if a number is outside its plausible range."""
        ...


Plain = Bowl | Crease


@dataclass(frozen=True)
class Shapes:
    """Several shapes added together."""

    parts: tuple[Shape, ...]

    def __call__(self, x: Array, y: Array) -> Array:
        """Deviation d [mm] at x, y [mm], the sum of all parts."""
        total = np.zeros(np.broadcast(x, y).shape)
        for part in self.parts:
            total = total + part(x, y)
        return total


def decay_of(shape: Plain) -> float:
    """b of the module's formula; infinite without a crown."""
    if shape.crown_mm == 0.0:
        return float("inf")
    return float(lambertw(shape.depth_mm / (np.e * shape.crown_mm)).real)


def rim_slope(shape: Plain) -> float:
    """-dg/ds at the centre: 1 + b, or 3 without a crown."""
    return 3.0 if shape.crown_mm == 0.0 else 1.0 + decay_of(shape)


def bowl_radius(shape: Plain) -> float:
    """Radius [mm] across the bottom of a bowl of this width, depth and crown."""
    return 0.125 * shape.width_mm**2 / (shape.depth_mm * rim_slope(shape))


def depth_of(shape: Plain, x: Array, y: Array) -> Array:
    """Deviation d [mm] of one shape at x, y [mm]."""
    c, s = cos(radians(shape.angle_deg)), sin(radians(shape.angle_deg))
    dx, dy = x - shape.x_mm, y - shape.y_mm
    at = shape.distance(c * dx + s * dy, c * dy - s * dx)
    if shape.crown_mm == 0.0:
        return -shape.depth_mm * np.clip(1.0 - at, 0.0, None) ** 3
    return -shape.depth_mm * (1.0 - at) * np.exp(-decay_of(shape) * at)


def reach_of(shape: Plain, share: float = 1e-4) -> Extent:
    """Rectangle outside which |d| is below ``share`` of the depth."""
    far = 1.0
    if shape.crown_mm > 0.0:
        b = decay_of(shape)
        # Beyond its maximum at s = 1 + 1/b the crown decreases monotonically: search s there only.
        while (far - 1.0) * exp(-b * far) > share or far < 1.0 + 1.0 / b:
            far *= 1.1
    one_u = np.linspace(0.0, 20.0 * shape.length_mm, 4001)
    one_v = np.linspace(0.0, 20.0 * shape.width_mm, 4001)
    u = one_u[np.argmax(shape.distance(one_u, np.zeros_like(one_u)) >= far)]
    v = one_v[np.argmax(shape.distance(np.zeros_like(one_v), one_v) >= far)]
    c, s = abs(cos(radians(shape.angle_deg))), abs(sin(radians(shape.angle_deg)))
    # Sides of the rectangle around the rotated rectangle of half sides u, v (an upper bound).
    half_x, half_y = c * u + s * v, s * u + c * v
    return (shape.x_mm - half_x, shape.x_mm + half_x, shape.y_mm - half_y, shape.y_mm + half_y)


def check_shape(shape: Plain, key: str) -> None:
    """Raise `InputError` with ``key`` and field if a number is outside its plausible range."""
    for item in fields(shape):
        value = getattr(shape, item.name)
        if value is not None and not np.isfinite(value):
            raise InputError(f"found {value}", "a finite number", key=f"{key}.{item.name}")
    for name in ("depth_mm", "length_mm", "width_mm", "radius_mm"):
        value = getattr(shape, name, None)
        if value is not None and value <= 0.0:
            raise InputError(f"found {value:g}", "a length above 0 mm", key=f"{key}.{name}")
    largest = min(0.5 * min(shape.length_mm, shape.width_mm), LARGEST_REASONABLE_DEPTH_MM)
    if shape.depth_mm > largest:
        raise InputError(
            f"found {shape.depth_mm:g}",
            f"at most {largest:g} mm, half of the shape's smaller side and no more than "
            f"{LARGEST_REASONABLE_DEPTH_MM:g} mm",
            key=f"{key}.depth_mm",
        )
    if not 0.0 <= shape.crown_mm <= LARGEST_CROWN_SHARE * shape.depth_mm:
        raise InputError(
            f"found {shape.crown_mm:g}",
            f"0 to {LARGEST_CROWN_SHARE * shape.depth_mm:g} mm, half of the depth",
            key=f"{key}.crown_mm",
        )
    if isinstance(shape, Crease):
        # From h^2 > 2 q: at R = bowl_radius, a becomes infinite and the section is a parabola.
        bluntest = 0.99 * bowl_radius(shape)
        if shape.radius_mm is not None and shape.radius_mm > bluntest:
            raise InputError(
                f"found {shape.radius_mm:g}",
                f"less than {bluntest:.3g} mm for this width and depth; a blunter one is a bowl",
                key=f"{key}.radius_mm",
            )
