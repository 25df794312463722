"""The same small-deflection plate by simkit and by scikit-fem, a general-purpose FE library.

scikit-fem (BSD licence, optional: ``pip install scikit-fem``) solves the weak form of Kirchhoff's
plate, integral of M(w) : curvature(v) = load(v). It uses Argyris' triangle (fifth degree,
continuous slopes, conforming) or Morley's (second degree, nonconforming). It shares nothing with
simkit: neither the theory (here the first tangent of simkit's nonlinear shell), nor elements or
solver. The plate is rectangular and loaded off its centre, a problem that our tables do not cover.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.mechanics.loads import AreaLoad, PointLoad, StaticLoad
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_linear
from simkit.panel.edges import FREE, HELD, HINGED, SIDES, Edge
from simkit.panel.shapes import height_patch
from simkit.verification.problems.check import Array, Check, Status, Truth, elastic_sheet, stiffness

LENGTH_MM, WIDTH_MM, THICKNESS_MM = 120.0, 80.0, 0.5
E_MPA, NU = 200000.0, 0.3
POINT_MM = (40.0, 30.0)
"""Place of the point load; a node of both meshes."""
MIDDLE_MM = (60.0, 40.0)
BY_NAME: Mapping[str, Edge] = {"clamped": HELD, "hinged": HINGED, "free": FREE}
ARGYRIS = "scikit-fem {}, Argyris plate element, {} cells along the length"
MORLEY = "scikit-fem {}, Morley plate element: second order for smooth plates"
MISSING = "second opinion skipped: scikit-fem is not installed (pip install scikit-fem)"


class LibraryMissing(ImportError):
    """scikit-fem is not installed; the message says how to install it."""


@dataclass(frozen=True)
class Plate:
    """A rectangular plate: supports of its sides (left, right, bottom, top), kind of the load
    (point or uniform), and the place (x, y), mm, of the deflection that is compared."""

    title: str
    sides: tuple[str, str, str, str]
    point_load: bool
    read_mm: tuple[float, float]


ALL_CLAMPED, ALL_HINGED = ("clamped",) * 4, ("hinged",) * 4
PLATES = (
    Plate("clamped, uniform", ALL_CLAMPED, False, MIDDLE_MM),
    Plate("hinged, uniform", ALL_HINGED, False, MIDDLE_MM),
    Plate("clamped, uniform, off the middle", ALL_CLAMPED, False, POINT_MM),
    Plate("clamped, point, under it", ALL_CLAMPED, True, POINT_MM),
    Plate("clamped, point, in the middle", ALL_CLAMPED, True, MIDDLE_MM),
    Plate("hinged, point, under it", ALL_HINGED, True, POINT_MM),
    Plate("hinged, point, in the middle", ALL_HINGED, True, MIDDLE_MM),
    Plate("left clamped, right free, others hinged, uniform",
          ("clamped", "free", "hinged", "hinged"), False, (LENGTH_MM, 0.5 * WIDTH_MM)),
)


def second_opinion() -> list[Check]:
    """Argyris' deflections compared with ours, and the order in which Morley's converge to ours.

    Raises
    ------
    LibraryMissing : scikit-fem is not installed; the message says that the problem is skipped.
    """
    return argyris_deflections() + morley_orders()


def argyris_deflections(elements: int = 48, degree: int = 3, cells: int = 24,
                        limit_pct: float = 0.1) -> list[Check]:
    """Deflections for a unit load by both codes.

    The limit is that of exact problems. Refinement shows a discretisation error of our values of
    0.005 % under a uniform load (clamped; hinged 0.0001 %). Under a point load the curvature is
    singular; both codes then converge with second order, and each has an error of 0.04 to 0.05 % on
    these meshes.
    """
    source = ARGYRIS.format(_library().__version__, cells)
    found = shell_deflections(elements, degree)
    return [Check(f"plate, {plate.title}", "deflection per unit load, mm", wanted, value,
                  limit_pct, Truth.OTHER_CODE, source, Status.RECOMPUTED)
            for plate, wanted, value in zip(PLATES, library_deflections("Argyris", cells), found,
                                            strict=True)]


def morley_orders(elements: int = 48, cells: tuple[int, int] = (24, 48),
                  limit_pct: float = 10.0) -> list[Check]:
    """Morley's element converges to simkit's solution with its own order, under uniform load.

    The order is log2 of the ratio of the differences from simkit on two meshes with elements of one
    size and of half this size; it should be 2. An error of 0.1 % in simkit's solution would move it
    beyond its limit.
    """
    source = MORLEY.format(_library().__version__)
    ours = np.array(shell_deflections(elements, 3))
    coarse, half = (np.array(library_deflections("Morley", n)) - ours for n in cells)
    return [Check(f"plate, {plate.title}", "order of Morley's difference", 2.0,
                  float(np.log2(abs(a / b))), limit_pct, Truth.OTHER_CODE, source,
                  Status.RECOMPUTED)
            for plate, a, b in zip(PLATES, coarse, half, strict=True) if not plate.point_load]


def shell_deflections(elements: int, degree: int) -> list[float]:
    """simkit's deflections of :data:`PLATES` (mm per N/mm^2 or per N)."""
    up = np.array([0.0, 0.0, 1.0])
    across = round(elements * WIDTH_MM / LENGTH_MM)
    patch = height_patch(lambda x, y: 0.0 * x, np.linspace(0.0, LENGTH_MM, elements + 1),
                         np.linspace(0.0, WIDTH_MM, across + 1), degree)
    models, values = {}, []
    for plate in PLATES:
        if plate.sides not in models:
            edges = {side: BY_NAME[name] for side, name in zip(SIDES, plate.sides, strict=True)}
            models[plate.sides] = build_model(patch, elastic_sheet("elastic", E_MPA, NU),
                                              THICKNESS_MM, edges, layers=2)
        model = models[plate.sides]
        load: StaticLoad = PointLoad(*POINT_MM, up) if plate.point_load else AreaLoad(up)
        read = solve_linear(model, load, np.array([plate.read_mm]))
        values.append(float(read.displacement[0, 2]))
    return values


def library_deflections(element: str, cells: int) -> list[float]:
    """scikit-fem's deflections of :data:`PLATES` with ``cells`` cells along the length, each
    divided into two triangles."""
    fem = _library()
    across = round(cells * WIDTH_MM / LENGTH_MM)
    mesh = fem.MeshTri.init_tensor(np.linspace(0.0, LENGTH_MM, cells + 1),
                                   np.linspace(0.0, WIDTH_MM, across + 1))
    kind = {"Argyris": fem.ElementTriArgyris, "Morley": fem.ElementTriMorley}[element]
    basis = fem.Basis(mesh, kind(), intorder=8 if element == "Argyris" else 4)
    matrix = _bending(fem).assemble(basis)
    uniform = fem.LinearForm(lambda v, w: 1.0 * v).assemble(basis)
    point = basis.probes(np.array(POINT_MM)[:, None]).toarray()[0]
    values = []
    for plate in PLATES:
        held = _held(basis, plate.sides)
        w = fem.solve(*fem.condense(matrix, point if plate.point_load else uniform, D=held))
        values.append(float((basis.probes(np.array(plate.read_mm)[:, None]) @ w)[0]))
    return values


def _bending(fem: Any) -> Any:
    """Bilinear form of Kirchhoff's plate: D [(1 - nu) H(u) : H(v) + nu tr H(u) tr H(v)], H the
    second derivatives (Timoshenko and Woinowsky-Krieger; MEMORY)."""
    d = stiffness(E_MPA, NU, THICKNESS_MM)

    def form(u: Any, v: Any, _: Any) -> Array:
        trace = (u.hess[0, 0] + u.hess[1, 1]) * (v.hess[0, 0] + v.hess[1, 1])
        full = sum(u.hess[i, j] * v.hess[i, j] for i in range(2) for j in range(2))
        return np.asarray(d * ((1.0 - NU) * full + NU * trace))

    return fem.BilinearForm(form)


def _held(basis: Any, sides: tuple[str, str, str, str]) -> Array:
    """Degrees of freedom that are zero because of a plate's supports.

    From w = 0 along a side, its derivatives along the side are zero, too. A clamped side also has
    zero slope across it and zero derivative of this slope along it. Moments and forces of hinged
    and free sides are natural boundary conditions.
    """
    where = (lambda x: np.isclose(x[0], 0.0), lambda x: np.isclose(x[0], LENGTH_MM),
             lambda x: np.isclose(x[1], 0.0), lambda x: np.isclose(x[1], WIDTH_MM))
    names = set(basis.elem.dofnames)
    held = []
    for k, (side, on) in enumerate(zip(sides, where, strict=True)):
        along = "y" if k < 2 else "x"
        wanted = {"clamped": {"u", "u_x", "u_y", f"u_{along}{along}", "u_xy", "u_n"},
                  "hinged": {"u", f"u_{along}", f"u_{along}{along}"}, "free": set()}[side]
        wanted &= names
        if wanted:
            held.append(basis.get_dofs(on).all(sorted(wanted)))
    return np.unique(np.concatenate(held))


def _library() -> Any:
    try:
        import skfem
    except ImportError as error:
        raise LibraryMissing(MISSING) from error
    return skfem
