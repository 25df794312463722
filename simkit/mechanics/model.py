"""The panel as a mechanical model, immutable: surface, sheet, edges, braces, equation numbers."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simkit.arguments import numbers, positive, whole
from simkit.kernels.caches import drop_stale_kernels
from simkit.material.hardening import Sheet
from simkit.material.j2 import state_size
from simkit.material.packing import cautious_law, pack_sheet
from simkit.mechanics.compiling import compile_in_two
from simkit.mechanics.describe import describe
from simkit.mechanics.edging import edge_springs
from simkit.mechanics.sheetwork import SheetWork
from simkit.mechanics.standing import Standing
from simkit.mechanics.state import Internal, State
from simkit.mechanics.workspace import Workspace
from simkit.panel.edges import Edge, equations
from simkit.shell.geometry import Geometry, reference_geometry
from simkit.shell.layout import Layout, element_points, make_layout
from simkit.shell.section import Layers, gauss_layers
from simkit.shell.springs import SpringSet
from simkit.shell.strains import face_strain, shell_strains
from simkit.solve.linear import Factorisation, Pattern, make_solver
from simkit.spline.patch import Patch

Array = NDArray[np.float64]
__all__ = ["Internal", "Model", "State", "build_model", "largest_face_strain", "pack_sheet"]


@dataclass(frozen=True)
class Model:
    """Mechanical model of a panel.

    Attributes
    ----------
    patch : spline surface of the undeformed panel; sheet : material; thickness_mm : thickness.
    layers : integration through the thickness; geometry : reference geometry at Gauss points.
    layout : equation numbers and sparsity.
    element_points : (elements, n_e) control points of each element.
    springs : edges and bonded or one-sided braces, acting on displacements.
    law : packed sheet law for the kernels, see :mod:`simkit.material.packing`.
    edges : condition of each side, as given.
    workspace : data kept between calls; owned by this model alone.
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
    edges: Mapping[str, Edge] = field(default_factory=dict, compare=False)
    workspace: Workspace = field(default_factory=Workspace, repr=False, compare=False)

    def __str__(self) -> str:
        return describe(self)

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
        solvers = self.workspace.solvers
        if name not in solvers:
            solvers[name] = make_solver(self.pattern(), self.solver, self.threads)
        return solvers[name]

    def internal(
        self, displacement: Array, state: State, tangent: bool, symmetrise: bool = True,
        elastic: Array | None = None,
    ) -> Internal | None:
        """Forces of sheet, edges and braces less those of held tools, at a displacement.

        ``state`` is the state at the beginning of the step. ``elastic``: a packed law that never
        yields, for elastic unloading. Returns None if an element is inverted.
        """
        work = self.sheet_work()
        part = work.forces(displacement, state, elastic, tangent, symmetrise)
        if part is not None:
            self._add_springs(displacement, part, tangent)
            part.standing = state.standing
            for held in state.standing:
                part.held += held.add(self.patch.control, displacement, self.element_points,
                                      self.layout.places, part.force, part.data, tangent)
        return part

    def tangent(self, displacement: Array, state: State, part: Internal, elastic: Array | None,
                keep: str, renew: bool = False, into: Array | None = None) -> Array | None:
        """Tangent values where ``part`` was evaluated, from element tangents kept under a name.

        An element that does not yield and has moved little keeps the tangent formed before.
        Newton's method then converges nearly as fast, and the matrix has new values only in a part
        of the panel, so the factorisation is cheaper. ``renew`` forms all tangents anew. Returns
        None if an element is inverted.
        """
        kept = self.sheet_work().tangent(displacement, state, part, elastic, keep, renew,
                                         self.springs)
        if kept is None:
            return None
        data = np.empty_like(kept) if into is None else into
        np.copyto(data, kept)
        for spring in self.springs:
            if spring.one_sided:
                spring.add(displacement, self.element_points, self.layout.places,
                           np.zeros_like(part.force), data, True)
        for held in state.standing:
            if held.bed is not None:
                held.bed.add(self.patch.control + displacement, self.element_points,
                             self.layout.places, np.zeros_like(part.force), data, True)
        return data

    def room_for_tangent(self) -> Array:
        """Memory for tangent values, allocated once, because new memory is slow at first use."""
        if self.workspace.tangent is None:
            self.workspace.tangent = np.empty(self.layout.indices.size)
        return self.workspace.tangent

    def sheet_work(self) -> SheetWork:
        """The evaluator of the sheet's elements."""
        if self.workspace.elements is None:
            self.workspace.elements = SheetWork(
                self.patch, self.geometry, self.layout, self.element_points, self.thickness_mm,
                self.layers, self.law, self._bundle_law(), self.threads)
        return self.workspace.elements

    def elastic_law(self) -> Array:
        """The packed law of the same sheet without yielding."""
        if self.workspace.elastic_law is None:
            self.workspace.elastic_law = pack_sheet(self.sheet, yielding=False)
        return self.workspace.elastic_law

    def equation_areas(self) -> Array:
        """Area that belongs to each equation, mm^2 (lumped mass without density)."""
        if self.workspace.weights is None:
            area = np.zeros(self.patch.control.shape)
            share = self.geometry.area.sum(axis=1) / self.element_points.shape[1]
            for axis in range(3):
                np.add.at(area[:, axis], self.element_points, share[:, None])
            self.workspace.weights = self.layout.gather(area)
        return self.workspace.weights

    def _bundle_law(self) -> Array:
        """Law (m,) for the bundles; for rolled sheet a von Mises law that yields no later."""
        if self.law.ndim == 1:
            return self.law
        criterion = self.sheet.criterion
        return cautious_law(self.law, 1.0 + 1e-9 if criterion is None else criterion.above_mises())

    def _add_springs(self, displacement: Array, part: Internal, tangent: bool) -> None:
        for spring in self.springs:
            part.stored += spring.add(displacement, self.element_points, self.layout.places,
                                      part.force, part.data, tangent)


def build_model(
    patch: Patch, sheet: Sheet, thickness_mm: float, edges: dict[str, Edge], layers: int = 5,
    braces: tuple[SpringSet, ...] = (), solver: str = "auto", threads: int = 1,
    gauss: int | None = None,
) -> Model:
    """Number the equations, evaluate the reference geometry, analyse the sparsity.

    Raises
    ------
    InputError : an invalid thickness, degree or number of layers or threads; an unknown side or
        solver; a symmetry condition on a side that is not plane; a surface that folds or has no
        area.
    """
    positive("thickness_mm", thickness_mm)
    whole("layers", layers, 1, 50)
    whole("threads", threads, 1)
    whole("degree", patch.degree, 2)
    whole("gauss", gauss or patch.degree, 1, 20)
    numbers("control points", patch.control, (None, 3))
    drop_stale_kernels()
    compile_in_two()
    bending = sheet.E_MPa * thickness_mm**3 / (12.0 * (1.0 - sheet.nu**2))
    return Model(
        patch=patch, sheet=sheet, thickness_mm=thickness_mm, layers=gauss_layers(layers),
        geometry=reference_geometry(patch, gauss or patch.degree, _rolling(sheet)),
        layout=make_layout(patch, equations(patch, edges)),
        element_points=element_points(patch),
        springs=(*edge_springs(patch, edges, bending, sheet.E_MPa * thickness_mm), *braces),
        law=pack_sheet(sheet), solver=solver, threads=threads, edges=dict(edges),
    )


def _rolling(sheet: Sheet) -> Array | None:
    """Rolling direction in the x, y plane, (3,); None if the sheet has none."""
    if sheet.criterion is None:
        return None
    return np.array([np.cos(sheet.rolling_rad), np.sin(sheet.rolling_rad), 0.0])


def nodal_of(model: Model, state: State, standing: Collection[Standing] | None = None) -> Array:
    """Force of a state's standing loads (or some of them) on the sheet, (control points, 3), N."""
    total = np.zeros_like(state.displacement)
    for held in state.standing if standing is None else standing:
        total += held.on_sheet(model.patch.control, state.displacement, model.element_points)
    return total


def held_force(model: Model, state: State) -> float:
    """Sum of the magnitudes of the standing loads' resultants and of the tensions of spreaders, N.
    """
    return float(sum(held.tension_N or np.linalg.norm(nodal_of(model, state, [held]).sum(axis=0))
                     for held in state.standing))


def largest_face_strain(model: Model, state: State) -> float:
    """Largest principal strain of either face since the undeformed panel (strain of the paint)."""
    x = model.patch.control + state.displacement
    basis = model.patch.basis_v
    strains = shell_strains(x, basis.count, basis.elements, model.geometry)
    half = 0.5 * model.thickness_mm
    return float(max(face_strain(strains, half).max(), face_strain(strains, -half).max()))
