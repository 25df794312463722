"""The panel as a mechanical model: surface, sheet, edges, braces, numbering. Frozen."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simkit.caches import drop_stale_kernels
from simkit.equilibrium.edging import edge_springs
from simkit.panel.edges import Edge, equations
from simkit.sheet.hardening import Sheet
from simkit.sheet.j2 import state_size
from simkit.shell.geometry import Geometry, reference_geometry
from simkit.shell.kernels import assemble
from simkit.shell.layout import Layout, element_points, make_layout
from simkit.shell.section import Layers, gauss_layers
from simkit.shell.springs import SpringSet
from simkit.shell.strains import face_strain, shell_strains
from simkit.solve.linear import Factorisation, Pattern, make_solver
from simkit.spline.patch import Patch

Array = NDArray[np.float64]


@dataclass(frozen=True)
class State:
    """What the sheet is at one moment; arrays are read-only.

    Attributes
    ----------
    displacement : (control points, 3), mm.
    points : (elements, gauss points, layers, numbers) state of every layer point, see
        :mod:`simkit.sheet.j2`.
    """

    displacement: Array
    points: Array

    def __post_init__(self) -> None:
        self.displacement.setflags(write=False)
        self.points.setflags(write=False)


@dataclass(frozen=True)
class Model:
    """A panel ready to be worked on.

    Attributes
    ----------
    patch, sheet, thickness_mm, layers, geometry, layout : what its names say.
    element_points : (elements, n_e) control points of each element.
    springs : edges and bonded or one-sided braces, acting on displacements.
    law : packed sheet law for the kernels.
    """

    patch: Patch
    sheet: Sheet
    thickness_mm: float
    layers: Layers
    geometry: Geometry
    layout: Layout
    element_points: NDArray[np.int64]
    springs: tuple[SpringSet, ...]
    law: Array
    solver: str = "auto"
    threads: int = 1
    _cache: dict = field(default_factory=dict, repr=False, compare=False)

    def virgin(self) -> State:
        """The undeformed, unstressed panel."""
        g = self.geometry
        shape = (g.elements, g.points, self.layers.heights.size, state_size(self.law))
        return State(np.zeros_like(self.patch.control), np.zeros(shape))

    def pattern(self) -> Pattern:
        """Sparsity of the tangent."""
        lay = self.layout
        return Pattern(lay.count, lay.indptr, lay.indices, lay.coords)

    def factorisation(self, name: str = "solver") -> Factorisation:
        """A linear solver of this model, analysed once; each name keeps a factor of its own."""
        if name not in self._cache:
            self._cache[name] = make_solver(self.pattern(), self.solver, self.threads)
        return self._cache[name]

    def with_springs(self, extra: list[SpringSet]) -> Model:
        """The same panel with further braces behind it."""
        return replace(self, springs=self.springs + tuple(extra), _cache=self._cache)

    def internal(
        self, displacement: Array, state: State, tangent: bool, symmetrise: bool = True,
        elastic: Array | None = None,
    ) -> Internal | None:
        """Forces of sheet, edges and braces at a displacement, from a begin-of-step state.

        ``elastic``: a law with an unreachable yield stress, to unload elastically. Returns None
        if an element turns inside out.
        """
        g, lay = self.geometry, self.layout
        x = self.patch.control + displacement
        force = np.zeros_like(x)
        data = np.zeros(lay.indices.size if tangent else 1)
        points = np.empty_like(state.points)
        energy = np.zeros((g.elements, 2))
        law = self.law if elastic is None else elastic

        def work(share: int) -> bool:
            first, last = (g.elements * k // self.threads for k in (share, share + 1))
            own = (force, data) if share == 0 else spare[share - 1]
            return bool(assemble(
                first, last, x, self.patch.basis_v.count, self.patch.basis_v.elements, g.shape_u,
                g.shape_v, g.metric, g.curvature, g.frame, g.area, self._thickness(),
                self.layers.heights, self.layers.weights, law, state.points, points, symmetrise,
                tangent, own[0], lay.places, own[1], energy))

        # a share writes to control points of its neighbour, hence sums of its own
        spare = [(np.zeros_like(force), np.zeros_like(data)) for _ in range(self.threads - 1)]
        if not all(self._in_threads(work)):
            return None
        for other_force, other_data in spare:
            force += other_force
            data += other_data
        stored = float(energy[:, 0].sum())
        for spring in self.springs:
            stored += spring.add(displacement, self.element_points, lay.places, force, data,
                                 tangent)
        return Internal(force, data, points, stored, float(energy[:, 1].sum()))

    def _in_threads(self, work: Callable[[int], bool]) -> list[bool]:
        if self.threads == 1:
            return [work(0)]
        if "pool" not in self._cache:
            self._cache["pool"] = ThreadPoolExecutor(self.threads - 1)
        rest = [self._cache["pool"].submit(work, k) for k in range(1, self.threads)]
        return [work(0)] + [job.result() for job in rest]

    def _thickness(self) -> Array:
        if "thickness" not in self._cache:
            self._cache["thickness"] = np.full(self.geometry.area.shape, self.thickness_mm)
        return self._cache["thickness"]


@dataclass(frozen=True)
class Internal:
    """Result of one evaluation of the sheet.

    Attributes: force (control points, 3) N; data tangent values; points trial layer states;
    stored elastic energy and plastic_work since the virgin panel, N mm.
    """

    force: Array
    data: Array
    points: Array
    stored: float
    plastic_work: float


def build_model(
    patch: Patch, sheet: Sheet, thickness_mm: float, edges: dict[str, Edge], layers: int = 5,
    braces: tuple[SpringSet, ...] = (), solver: str = "auto", threads: int = 1,
    gauss: int | None = None,
) -> Model:
    """Number the equations, evaluate the reference geometry, analyse the sparsity."""
    drop_stale_kernels()
    bending = sheet.E_MPa * thickness_mm**3 / (12.0 * (1.0 - sheet.nu**2))
    return Model(
        patch=patch, sheet=sheet, thickness_mm=thickness_mm, layers=gauss_layers(layers),
        geometry=reference_geometry(patch, gauss or patch.degree),
        layout=make_layout(patch, equations(patch, edges)),
        element_points=element_points(patch),
        springs=(*edge_springs(patch, edges, bending, sheet.E_MPa * thickness_mm), *braces),
        law=pack_sheet(sheet), solver=solver, threads=threads,
    )


def largest_face_strain(model: Model, state: State) -> float:
    """Largest principal strain of either face since the virgin panel (what paint sees)."""
    x = model.patch.control + state.displacement
    basis = model.patch.basis_v
    strains = shell_strains(x, basis.count, basis.elements, model.geometry)
    half = 0.5 * model.thickness_mm
    return float(max(face_strain(strains, half).max(), face_strain(strains, -half).max()))


def pack_sheet(sheet: Sheet, yielding: bool = True) -> Array:
    """Numbers of a sheet for the kernels (:mod:`simkit.sheet.j2`)."""
    head = np.zeros(8)
    head[:2] = sheet.E_MPa, sheet.nu
    head[3] = len(sheet.backstress)
    for k, term in enumerate(sheet.backstress):
        head[4 + 2 * k], head[5 + 2 * k] = term.modulus_MPa, term.recovery
    if not yielding:
        head[2] = 2
        return np.concatenate([head, [2.0, 0.0, 1.0, 1e12, 1e12]])
    head[2] = sheet.hardening.kind
    return np.concatenate([head, sheet.hardening.packed()])
