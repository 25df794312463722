"""Frictionless contact of a rigid body with a face of the sheet.

The body is the set of points within a nose radius R of a convex core; the face of the sheet is half
a thickness from the mid-surface. Where both surfaces touch they are parallel, so the two distances
add: the sheet is in contact where the distance of its mid-surface to the core is R + t/2. The
contact pressure is a penalty, quadratic over the first ``SMOOTH_MM`` of penetration so that its
derivative is continuous for Newton's method. Its stiffness is raised until the penetration is below
``DEEPEST_MM``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from simkit.arguments import direction as unit
from simkit.arguments import numbers
from simkit.errors import InputError
from simkit.mechanics.model import Model, State
from simkit.mechanics.points import sheet_points
from simkit.shell.kernels import scatter_upper
from simkit.tool.bodies import RigidBody

Array = NDArray[np.float64]
SMOOTH_MM = 0.001
"""Penetration up to which the penalty is quadratic."""
DEEPEST_MM = 0.008
"""Largest penetration that is accepted with a rigid body."""
STIFFNESS_MPA_PER_MM = 8.0e4
"""Penalty stiffness to begin with: pressure per penetration."""


class ContactPoints(NamedTuple):
    """Points of the sheet that may come into contact.

    element (m,) sorted; shape (m, n) shape values; area (m,) mm^2; offset (m,) distance of the
    touched face from the mid-surface, mm.
    """

    element: NDArray[np.int64]
    shape: Array
    area: Array
    offset: Array


class BodyPose(NamedTuple):
    """A rigid body in space.

    code: its kind; sizes: as :meth:`RigidBody.packed` returns them; centre (3,) of its core, mm;
    frame (3, 3): its local axes as rows.
    """

    code: int
    sizes: Array
    centre: Array
    frame: Array


@dataclass(frozen=True)
class ContactReading:
    """Contact at one configuration: force on the sheet (3,), N; largest penetration, mm; whether
    there is contact; energy stored in the penalty, N mm."""

    force_N: Array
    penetration_mm: float
    touching: bool
    energy: float


@dataclass(frozen=True)
class Contact:
    """A rigid body in position, and the points of the sheet that it may touch.

    Attributes
    ----------
    body : the shape.
    start : (3,) centre of the core at zero travel, mm.
    frame : (3, 3) rows are the body's local axes; local z is against the travel.
    element, shape, area, offset : contact points, see :class:`ContactPoints`.
    stiffness : penalty, pressure per penetration, MPa/mm.
    soft : True if the stiffness is that of a soft facing, a physical property and no penalty.
    """

    body: RigidBody
    start: Array
    frame: Array
    element: NDArray[np.int64]
    shape: Array
    area: Array
    offset: Array
    stiffness: float = STIFFNESS_MPA_PER_MM
    soft: bool = False

    @property
    def direction(self) -> Array:
        """Unit vector of the travel."""
        return -self.frame[2]

    def stiffer(self, factor: float) -> Contact:
        """The same contact with a stiffer penalty."""
        return replace(self, stiffness=self.stiffness * factor)

    def on(self, model: Model, state: State) -> Contact:
        """The same contact with the face offsets of the sheet's present thickness."""
        return replace(self, offset=face_offset(model, state, self.element))

    def add(self, model: Model, x: Array, travel: float, force: Array, data: Array,
            tangent: bool) -> ContactReading:
        """Add the contact force at a travel to the residual and its derivative to the tangent."""
        centre = self.start + travel * self.direction
        out = np.zeros(6)
        points = ContactPoints(self.element, self.shape, self.area, self.offset)
        body = BodyPose(self.body.code, self.body.packed(), centre, self.frame)
        _add(x, model.element_points, model.layout.places, points, body, self.stiffness, force,
             data, tangent, out)
        return ContactReading(out[:3], float(out[3]), out[4] > 0.0, float(out[5]))

    def gaps(self, model: Model, x: Array, travel: float) -> Array:
        """Distance of the face to the body at each contact point, mm; negative: penetration."""
        return self.body.signed_distance(self.local(model, x, travel)) - self.offset

    def local(self, model: Model, x: Array, travel: float) -> Array:
        """(m, 3) contact points of the mid-surface in the axes of the body, mm."""
        at = np.einsum("mk,mkc->mc", self.shape, x[model.element_points[self.element]])
        return np.asarray((at - self.start - travel * self.direction) @ self.frame.T)


def place_contact(
    model: Model, state: State, body: RigidBody, at: Array, direction: Array, reach_mm: float,
    along: Array | None = None, per_element: int = 8,
) -> Contact:
    """Move a body along ``direction`` until it just touches the sheet.

    ``at`` (3,) is a point of the tool axis, ``along`` the direction of local x (for long bodies),
    ``reach_mm`` the radius about the axis within which contact points are placed.

    Raises
    ------
    InputError : an invalid position or direction; a body that does not meet the panel.
    """
    at = numbers("at", at, (3,))
    frame = tool_frame(direction, along)
    element, shape, area, offset = _candidates(model, state, at, frame[2], reach_mm, per_element)
    if element.size == 0:
        raise _misses(model, at)
    high = body.reach_mm + 300.0
    contact = Contact(body, at + high * frame[2], frame, element, shape, area, offset)
    face = contact.local(model, model.patch.control + state.displacement, 0.0)

    def gap(travel: float) -> float:  # the body travels along its own -z
        return float((body.signed_distance(face + (0.0, 0.0, travel)) - offset).min())

    # 300 mm away there is no contact, with the core at the sheet there is. Where the axis misses
    # the sheet, search the whole path in steps of half the nose radius.
    if gap(high) > 0.0:
        ways = np.arange(0.0, 2.0 * high, 0.5 * body.nose_radius_mm)
        high = next((float(way) for way in ways if gap(way) < 0.0), 0.0)
    if high == 0.0:
        raise _misses(model, at)
    low = brentq(gap, 0.0, high, xtol=1e-12, rtol=1e-14)
    return replace(contact, start=contact.start + low * contact.direction)


def _misses(model: Model, at: Array) -> InputError:
    """The error for a body that does not meet the panel."""
    low, high = model.patch.control.min(axis=0), model.patch.control.max(axis=0)
    return InputError(
        f"a tip at x {at[0]:.1f} mm, y {at[1]:.1f} mm does not meet the panel",
        f"a place on it; it reaches from x {low[0]:g} to {high[0]:g} mm and from y {low[1]:g} to "
        f"{high[1]:g} mm")


def tool_frame(direction: Array, along: Array | None = None) -> Array:
    """Rows: local x, y, z of a tool that travels along ``direction`` (local z against it)."""
    z = -unit("direction", direction)
    x = np.array([1.0, 0.0, 0.0]) if along is None else unit("along", along)
    x = x - (x @ z) * z
    if np.linalg.norm(x) < 1e-6:
        x = np.array([0.0, 1.0, 0.0]) - z[1] * z
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def face_offset(model: Model, state: State, element: NDArray[np.int64]) -> Array:
    """Half the current thickness of elements, mm.

    Plastic flow keeps the volume, so the thickness falls by exp(-(e11 + e22)), with the mean
    logarithmic plastic strain of the element; elastic thinning is neglected.
    """
    some, which = np.unique(element, return_inverse=True)
    strain = np.einsum("egl,l->e", state.points[some, :, :, 0], model.layers.weights)
    offset = 0.5 * model.thickness_mm * np.exp(-strain / model.geometry.points)
    return offset[which]


def _candidates(model: Model, state: State, at: Array, axis: Array, reach: float, per: int):
    """Contact points of the elements whose centre is within reach of the tool axis."""
    patch = model.patch
    x = patch.control + state.displacement
    corner = x[model.element_points]
    middle = corner.mean(axis=1)
    size = np.linalg.norm(np.ptp(corner, axis=1), axis=1)
    gap = middle - at
    radial = np.linalg.norm(gap - (gap @ axis)[:, None] * axis, axis=1)
    element = np.flatnonzero(radial < reach + size)
    points = sheet_points(patch, element, per)
    offset = face_offset(model, state, points.element)
    return points.element, points.shape, points.area, offset


@nb.njit(cache=True)
def _nearest(local, code, sizes, turn):
    """Replace a local point by the nearest point of the core; set turn (3, 3) = d nearest / dpoint.

    code 2: a disc of radius sizes[3]; others: a rectangle of half sizes sizes[1], sizes[2], which
    may be zero (a line or a point).
    """
    turn[:] = 0.0
    if code == 2:
        rho = np.sqrt(local[0] ** 2 + local[1] ** 2)
        local[2] = 0.0
        if rho <= sizes[3]:
            turn[0, 0] = turn[1, 1] = 1.0
            return
        ux, uy = local[0] / rho, local[1] / rho
        ratio = sizes[3] / rho
        turn[0, 0], turn[1, 1] = ratio * uy * uy, ratio * ux * ux
        turn[0, 1] = turn[1, 0] = -ratio * ux * uy
        local[0], local[1] = sizes[3] * ux, sizes[3] * uy
        return
    local[2] = 0.0
    for i in range(2):
        if abs(local[i]) < sizes[1 + i]:
            turn[i, i] = 1.0
        else:
            local[i] = sizes[1 + i] if local[i] > 0.0 else -sizes[1 + i]


@nb.njit(cache=True)
def _penalty(deep, stiffness):
    """Contact pressure (MPa), its slope (MPa/mm) and energy (N/mm) at a penetration > 0, mm.

    Quadratic up to SMOOTH_MM, then linear with the same value and slope there.
    """
    smooth = SMOOTH_MM
    if deep < smooth:
        return (0.5 * stiffness * deep * deep / smooth, stiffness * deep / smooth,
                stiffness * deep * deep * deep / (6.0 * smooth))
    over = deep - smooth
    return (stiffness * (deep - 0.5 * smooth), stiffness,
            stiffness * (smooth * smooth / 6.0 + 0.5 * over * (over + smooth)))


# The force on the sheet is p n per area. Its derivative by the position x has two parts: the slope
# of p along n, and the rotation of n, dn/dx = (1 - n n' - d nearest / dx) / distance.
@nb.njit(cache=True)
def _add(x, points, places, contact, body, stiffness, force, data, tangent, out):
    """Add the contact force and, with ``tangent``, its tangent.

    x (control points, 3) mm; points (elements, n) control points of each element; places
    (elements, entries) where tangents go in the matrix values data; contact a ContactPoints, body
    a BodyPose; stiffness MPa/mm; force (control points, 3) N, internal minus external. Fills out
    (6,): force on the sheet (3 numbers, N), largest penetration mm, number of points in contact,
    energy stored in the penalty N mm.
    """
    element, shape, area, offset = contact.element, contact.shape, contact.area, contact.offset
    sizes, centre, frame = body.sizes, body.centre, body.frame
    n = shape.shape[1]
    ke = np.zeros((3 * n, 3 * n))
    turn, back, block = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3))
    local, near, at, normal = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    dirty = False
    m = element.size
    for k in range(m):
        el = element[k]
        for c in range(3):
            at[c] = -centre[c]
            for i in range(n):
                at[c] += shape[k, i] * x[points[el, i], c]
        for r in range(3):
            local[r] = frame[r, 0] * at[0] + frame[r, 1] * at[1] + frame[r, 2] * at[2]
            near[r] = local[r]
        _nearest(near, body.code, sizes, turn)
        distance = 0.0
        for r in range(3):
            local[r] -= near[r]
            distance += local[r] * local[r]
        distance = np.sqrt(distance)
        deep = sizes[0] + offset[k] - distance
        if deep > 0.0 and distance > 1e-9:
            pressure, slope, held = _penalty(deep, stiffness)
            w = area[k]
            for c in range(3):
                normal[c] = (frame[0, c] * local[0] + frame[1, c] * local[1]
                             + frame[2, c] * local[2]) / distance
                out[c] += w * pressure * normal[c]
            out[3] = max(out[3], deep)
            out[4] += 1.0
            out[5] += w * held
            for i in range(n):
                for c in range(3):
                    force[points[el, i], c] -= shape[k, i] * w * pressure * normal[c]
            if tangent:
                dirty = True
                for r in range(3):
                    for c in range(3):
                        back[r, c] = 0.0
                        for i in range(3):
                            for j in range(3):
                                back[r, c] += frame[i, r] * turn[i, j] * frame[j, c]
                for r in range(3):
                    for c in range(3):
                        same = 1.0 if r == c else 0.0
                        bend = (same - normal[r] * normal[c] - back[r, c]) / distance
                        block[r, c] = w * (slope * normal[r] * normal[c] - pressure * bend)
                for i in range(n):
                    for j in range(i, n):
                        both = shape[k, i] * shape[k, j]
                        for r in range(3):
                            for c in range(3):
                                ke[3 * i + r, 3 * j + c] += both * block[r, c]
        if dirty and (k == m - 1 or element[k + 1] != el):
            scatter_upper(ke, places[el], data)
            ke[:] = 0.0
            dirty = False
