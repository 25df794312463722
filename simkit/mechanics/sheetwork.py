"""Forces and tangents of all elements, in bundles of eight or one by one, and kept tangents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.kernels.pool import ArrayPool
from simkit.kernels.simd import LANES
from simkit.kernels.teamwork import Team
from simkit.mechanics.state import Internal, State
from simkit.shell.bundle.elements import add_strips, bundle_rows
from simkit.shell.bundle.packing import (
    bundles_fit,
    pack_geometry,
    pack_state,
    padded,
    room_for_state,
)
from simkit.shell.bundle.records import (
    BundleGrid,
    BundleSection,
    BundleStates,
    BundleSums,
    Strips,
)
from simkit.shell.bundle.walk import strips_apart
from simkit.shell.geometry import Geometry
from simkit.shell.kept import exchange_listed, keep_places, moved_elements
from simkit.shell.kernels import assemble
from simkit.shell.layout import Layout
from simkit.shell.records import ElementGrid, ElementSums, LayerRule
from simkit.shell.section import Layers
from simkit.shell.springs import SpringSet
from simkit.spline.patch import Patch

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
NO_VALUES = np.empty((0, 0))
RENEWAL_STRAIN = 1e-3
"""Strain or rotation of an element, since its tangent was formed, above which it is formed anew."""
STRIP_ROWS = 8
"""Smallest number of rows of elements in a strip, the share that a thread takes at a time."""


class KeptTangents:
    """Element tangents as last formed.

    Attributes
    ----------
    upper : (elements, entries) upper triangles of the tangents.
    data : their sum with the tangents of two-sided springs, in the order of the matrix values.
    base : (elements, n_e, 3) displacements at which each tangent was formed, mm.
    renew : (elements,) elements whose tangents must be formed anew in any case.
    springs : the springs included in ``data``; None if ``data`` is not valid.
    """

    def __init__(self, elements: int, entries: int, per_element: int, values: int) -> None:
        self.upper = np.empty((elements, entries))
        self.data = np.empty(values)
        self.base = np.zeros((elements, per_element, 3))
        self.renew = np.ones(elements, dtype=np.bool_)
        self.springs: tuple[SpringSet, ...] | None = None

    def begin(self, springs: tuple[SpringSet, ...], displacement: Array, element_points: Ints,
              places: NDArray[np.int32]) -> None:
        """Start from zero, so that old rounding errors are not carried along, and add the tangents
        of two-sided springs, which never change."""
        self.upper[:] = 0.0
        self.data[:] = 0.0
        self.renew[:] = True
        waste = np.zeros_like(displacement)
        for spring in springs:
            if not spring.one_sided:
                spring.add(displacement, element_points, places, waste, self.data, True)


@dataclass
class Bundled:
    """Result of an assembly in bundles.

    Attributes
    ----------
    force : (control points, 3) N; energy : (elements, 2) elastic energy and plastic work, N mm.
    left : (elements,) True for elements that the full kernel must compute.
    flowing : numbers of the elements that yield; fresh : their new states.
    """

    force: Array
    energy: Array
    left: NDArray[np.bool_]
    flowing: Ints
    fresh: Array


class SheetWork:
    """Evaluates the elements of one panel; keeps packed data and tangents between calls."""

    def __init__(self, patch: Patch, geometry: Geometry, layout: Layout, element_points: Ints,
                 thickness_mm: float, layers: Layers, law: Array, plain: Array, threads: int
                 ) -> None:
        self.patch, self.geometry, self.layout = patch, geometry, layout
        self.element_points, self.layers, self.law, self.plain = element_points, layers, law, plain
        self.thickness_mm = thickness_mm
        self.falls = law.ndim == 2 and law.shape[0] > 2  # modulus falls: bundles know only E
        self._grid = ElementGrid(
            patch.basis_v.count, patch.basis_v.elements, geometry.shape_u, geometry.shape_v,
            geometry.metric, geometry.curvature, geometry.frame, geometry.area,
            np.full(geometry.area.shape, thickness_mm), layout.places)
        self.size = np.sqrt(geometry.area.sum(axis=1))
        self.everything = np.arange(geometry.elements)
        self.bundles = bundles_fit(patch.degree, geometry)
        if self.bundles:
            self.geo, self.shape_v = pack_geometry(geometry)
            self.strips = self._strips()
        self._packed: tuple[State, Array] | None = None
        self._kept: dict[str, KeptTangents] = {}
        self._fresh: Array | None = None
        self._pool = ArrayPool()
        self._team = Team(threads)

    def _strips(self) -> Ints:
        """Borders of the strips of rows; one strip if strips would share matrix entries."""
        rows, places = self.patch.basis_u.elements, self.layout.places
        strips = max(1, rows // STRIP_ROWS)
        borders = np.arange(strips + 1) * rows // strips
        apart = strips_apart(places, borders, self.patch.degree, self.patch.basis_v.elements)
        return borders if apart else np.array([0, rows])

    def forces(self, displacement: Array, state: State, elastic: Array | None, tangent: bool,
               symmetrise: bool = True) -> Internal | None:
        """Forces at a displacement (and the exact tangent); None if an element is inverted."""
        g = self.geometry
        x = self.patch.control + displacement
        law = self.law if elastic is None else elastic
        data = np.zeros(self.layout.indices.size if tangent else 1)
        if not tangent and self.bundles:
            return self._bundled_forces(x, state, elastic)
        force, energy = np.zeros_like(x), np.zeros((g.elements, 2))
        fresh = np.empty_like(state.points)
        if not self._one_by_one(self.everything, x, law, state, fresh, symmetrise, tangent, force,
                                energy, data, NO_VALUES):
            return None
        return Internal(force, data, energy, state.points, self.everything, fresh,
                        self._pool)

    def _bundled_forces(self, x: Array, state: State, elastic: Array | None) -> Internal | None:
        """Forces in bundles, and those of the elements that bundles leave, one by one."""
        part = self._in_bundles(np.ones(self.geometry.elements, dtype=np.bool_), x, state,
                                elastic is not None, None)
        listed = np.flatnonzero(part.left)
        if listed.size:
            alone = np.empty((listed.size, *state.points.shape[1:]))
            law = self.law if elastic is None else elastic
            if not self._one_by_one(listed, x, law, state, alone, True, False, part.force,
                                    part.energy, np.zeros(1), NO_VALUES):
                return None
            kept = ~part.left[part.flowing]  # an element may yield at one point and be left later
            flowing = np.concatenate([part.flowing[kept], listed])
            order = np.argsort(flowing)
            part.flowing = flowing[order]
            part.fresh = np.concatenate([part.fresh[kept], alone])[order]
        return Internal(part.force, np.zeros(1), part.energy, state.points, part.flowing,
                        part.fresh, self._pool)

    def tangent(self, displacement: Array, state: State, part: Internal, elastic: Array | None,
                keep: str, renew: bool, springs: tuple[SpringSet, ...]) -> Array | None:
        """Tangent values, including two-sided springs; the caller must not write to them.

        See :meth:`simkit.mechanics.model.Model.tangent`.
        """
        kept = self._kept_tangents(keep)
        if renew or kept.springs is not springs:
            kept.begin(springs, displacement, self.element_points, self.layout.places)
        kept.springs = None  # not valid until the end of this function
        todo = kept.renew.copy()
        todo[part.flowing] = True
        moved_elements(displacement, self.element_points, kept.base, self.size, RENEWAL_STRAIN,
                       todo)
        listed = alone = np.flatnonzero(todo)
        x = self.patch.control + displacement
        if self.bundles:
            done = self._in_bundles(todo, x, state, elastic is not None, kept)
            alone = np.flatnonzero(done.left)
        if alone.size:
            fresh, before = np.empty((alone.size, *state.points.shape[1:])), kept.upper[alone]
            law = self.law if elastic is None else elastic
            if not self._one_by_one(alone, x, law, state, fresh, True, True, np.zeros_like(x),
                                    np.zeros((self.geometry.elements, 2)), np.zeros(1),
                                    kept.upper):
                return None
            exchange_listed(alone, before, kept.upper, self.layout.places, kept.data)
        keep_places(displacement, self.element_points, listed, kept.base)
        kept.renew[listed] = False
        kept.renew[part.flowing] = True
        kept.springs = springs
        return kept.data

    def forget(self) -> None:
        """Mark all kept tangents as invalid, so that results do not depend on earlier calls."""
        for kept in self._kept.values():
            kept.springs = None

    def _kept_tangents(self, name: str) -> KeptTangents:
        if name not in self._kept:
            entries, per_element = self.layout.places.shape[1], self.element_points.shape[1]
            self._kept[name] = KeptTangents(self.geometry.elements, entries, per_element,
                                            self.layout.indices.size)
        return self._kept[name]

    def _in_bundles(self, todo: NDArray[np.bool_], x: Array, state: State, elastic: bool,
                    kept: KeptTangents | None) -> Bundled:
        """Assemble the elements of a mask in bundles; with ``kept`` also their tangents."""
        g, packed, law = self.geometry, self._packed_state(state), self.plain
        bound = 0.0 if self.law.ndim == 1 else -1.0
        if elastic and not self.falls:
            bound = np.inf
        if self._fresh is None:  # allocated once, because new memory is slow at first use
            self._fresh = np.empty_like(state.points)
        fresh = self._fresh
        flat, count_v, rows_v = padded(x.T), g.shape_v.shape[0], self.patch.basis_v.count
        slot, left = np.full(g.elements, -1), np.zeros(g.elements, dtype=np.bool_)
        energy, force = np.zeros((g.elements, 2)), np.zeros_like(x)
        longest = int(np.diff(self.strips).max()) + self.patch.degree
        parts = np.zeros((self.strips.size - 1, 3 * longest * rows_v + LANES))
        upper, data = (NO_VALUES, np.empty(0)) if kept is None else (kept.upper, kept.data)
        strips = Strips(self.strips, self.patch.degree)
        grid = BundleGrid(count_v, rows_v, g.shape_u, self.shape_v, self.geo, self.layout.places)
        section = BundleSection(self.thickness_mm, self.layers.heights, self.layers.weights, law,
                                bound)
        states = BundleStates(packed, state.points, slot, fresh)
        sums = BundleSums(parts, energy, upper, data, left)
        self._team.run(2, lambda board, _: bundle_rows(
            board, strips, todo, flat, grid, section, states, kept is not None, sums))
        add_strips(parts, self.strips, rows_v, force)
        flowing = np.flatnonzero(slot >= 0)
        return Bundled(force, energy, left, flowing, fresh[slot[flowing]])

    def _packed_state(self, state: State) -> Array:
        """Layer states packed for bundles; only elements that changed since the last are packed."""
        elements, _, layers = state.points.shape[:3]
        count_v = self.patch.basis_v.elements
        if self._packed is None:
            changed, packed = None, room_for_state(elements, count_v, layers)
        else:
            changed, packed = state.changed(self._packed[0]), self._packed[1]
        changed = self.everything if changed is None else changed
        if changed.size:
            pack_state(state.points, changed, count_v, self.plain, self.falls, packed)
        self._packed = (state, packed)
        return packed

    def _one_by_one(self, listed: Ints, x: Array, law: Array, state: State, fresh: Array,
                    symmetrise: bool, tangent: bool, force: Array, energy: Array, data: Array,
                    upper: Array) -> bool:
        """Assemble the listed elements with the full kernel, in shares for the threads.

        Returns False if an element is inverted.
        """
        rule = LayerRule(self.layers.heights, self.layers.weights, law)
        shares = max(1, min(self._team.threads, listed.size // 8))
        # elements of two shares have control points in common, so each share has its own sums
        spare = [(np.zeros_like(force), np.zeros_like(data)) for _ in range(shares - 1)]
        fine = [False] * shares

        def work(share: int) -> None:
            first, last = (listed.size * k // shares for k in (share, share + 1))
            own = (force, data) if share == 0 else spare[share - 1]
            sums = ElementSums(own[0], energy, own[1], upper)
            fine[share] = bool(assemble(listed, first, last, x, self._grid, rule, state.points,
                                        fresh, symmetrise, tangent, sums))

        self._team.each(shares, work)
        for other_force, other_data in spare:
            force += other_force
            data += other_data
        return all(fine)
