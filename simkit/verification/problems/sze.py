"""Large deflection and rotation: the problems of Sze, Liu and Lo 2004.

Their results are from finite meshes of four-node shells (S4R) and not exact; the tables were read
in transcriptions (data/README.md). If an exact solution exists, it is used instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simkit.mechanics.edge_loads import EdgeMoment, LineLoad
from simkit.mechanics.loads import Loads, PointLoad, StaticLoad
from simkit.mechanics.model import Model, build_model
from simkit.mechanics.statics import PathResult, StaticResult, solve_static, trace_path
from simkit.panel.edges import FREE, HELD, HINGED, SYMMETRIC, Edge
from simkit.panel.shapes import cylinder_patch, height_patch, polar_patch, sphere_patch
from simkit.shell.springs import SpringSet
from simkit.solve.nonlinear.arc import ArcSettings
from simkit.solve.nonlinear.newton import NewtonSettings
from simkit.solve.nonlinear.stepping import StepSettings
from simkit.spline.patch import Patch
from simkit.verification.problems.check import Array, Check, Status, Truth, elastic_sheet, table

SZE = "Sze, Liu and Lo 2004, Finite Elem. Anal. Des. 40:1551, sec. {} (transcription)"
ELASTIC_LAYERS = 2
"""Two Gauss layers carry constant and linear stress through the thickness exactly."""
PATIENT = StepSettings(newton=NewtonSettings(iterations=60, shortest_step=1.0))
"""For thin sheets that bend freely: full Newton steps. Their first membrane forces are far too
large, and a line search would reduce the steps too much."""


SEARCHING = StepSettings(first=0.0125, newton=NewtonSettings(iterations=60))
"""With line search, for the pinched half tube, where full steps may reach another branch."""


def _published(case: str, section: str, quantity: str, levels: Sequence[float], wanted: Array,
               found: Array, limit_pct: float, scale: float | None = None) -> list[Check]:
    return [Check(case, f"{quantity} at {level:g} of full load", w, v, limit_pct,
                  Truth.PUBLISHED, SZE.format(section), Status.SEEN, scale)
            for level, w, v in zip(levels, wanted, found, strict=True)]


def _fill(result: StaticResult, levels: Sequence[float], probe: int, axis: int) -> Array:
    """Displacements at the load levels; NaN at levels that the solution did not reach."""
    values = np.full(len(levels), np.nan)
    values[: result.factors.size] = result.displacement[:, probe, axis]
    return values


def _rows(columns: dict[str, Array], key: str, levels: Sequence[float]) -> Array:
    return np.array([int(np.argmin(np.abs(columns[key] - level))) for level in levels])


def strip(length: float, thickness: float, elements: int, degree: int,
          across: int = 1) -> Model:
    """Cantilever strip of width 1 along x, held at x = 0, E = 1.2e6, nu = 0."""
    patch = height_patch(lambda x, y: 0.0 * x, np.linspace(0.0, length, elements + 1),
                         np.linspace(-0.5, 0.5, across + 1), degree)
    return build_model(patch, elastic_sheet("strip", 1.2e6, 0.0), thickness, {"left": HELD},
                       layers=3)


def cantilever_shear(elements: int = 16, degree: int = 3, limit_pct: float = 1.0) -> list[Check]:
    """Sec. 3.1: strip of 10 x 1 x 0.1 under an end shear of 4."""
    levels = [0.1, 0.2, 0.4, 0.6, 0.8, 1.0]
    columns = table("sze2004_3_1_cantilever_end_shear")
    rows = _rows(columns, "P_over_Pmax", levels)
    model = strip(10.0, 0.1, elements, degree)
    load = LineLoad("right", np.array([0.0, 0.0, 4.0]))
    result = solve_static(model, load, levels, np.array([[10.0, 0.0]]), PATIENT)
    case = "cantilever, end shear"
    return (_published(case, "3.1", "W", levels, columns["W_tip"][rows],
                       _fill(result, levels, 0, 2), limit_pct)
            + _published(case, "3.1", "-U", levels, columns["minus_U_tip"][rows],
                         -_fill(result, levels, 0, 0), limit_pct))


def cantilever_moment(elements: int = 24, degree: int = 3, limit_pct: float = 0.5) -> list[Check]:
    """Sec. 3.2: strip of 12 x 1 x 0.1 rolled into a full circle by an end moment; exact."""
    length, full = 12.0, 50.0 * np.pi / 3.0
    levels = [round(0.1 * k, 1) for k in range(1, 11)]
    model = strip(length, 0.1, elements, degree)
    result = solve_static(model, EdgeMoment("right", full), levels, np.array([[length, 0.0]]),
                          PATIENT)
    turn = 2.0 * np.pi * np.array(levels)
    exact = {"-U": length * (1.0 - np.sin(turn) / turn), "W": length * (1 - np.cos(turn)) / turn}
    checks = []
    for quantity, axis, sign in (("-U", 0, -1.0), ("W", 2, 1.0)):
        found = sign * _fill(result, levels, 0, axis)
        checks += [Check("cantilever, end moment", f"{quantity} at {level:g} of full load", w, v,
                         limit_pct, Truth.EXACT, "elastica of constant curvature",
                         Status.DERIVED, length)
                   for level, w, v in zip(levels, exact[quantity], found, strict=True)]
    return checks


def slit_annulus(radial: int = 6, around: int = 30, degree: int = 3, limit_pct: float = 1.0,
                 levels: Sequence[float] = (0.1, 0.25, 0.5, 0.75, 1.0)) -> list[Check]:
    """Sec. 3.3: annular plate slit along a radius, one edge of the slit held, the other lifted."""
    columns = table("sze2004_3_3_slit_annular_plate")
    rows = _rows(columns, "P_over_Pmax", levels)
    patch = polar_patch(np.linspace(6.0, 10.0, radial + 1),
                        np.linspace(0.0, 2.0 * np.pi, around + 1), degree=degree)
    model = build_model(patch, elastic_sheet("annulus", 21e6, 0.0), 0.03, {"bottom": HELD},
                        layers=ELASTIC_LAYERS)
    load = LineLoad("top", np.array([0.0, 0.0, 0.8]))
    lip = np.array([[6.0, 2.0 * np.pi], [10.0, 2.0 * np.pi]])
    result = solve_static(model, load, levels, lip, PATIENT)
    case = "slit annular plate"
    return (_published(case, "3.3", "W inner", levels, columns["W_A"][rows],
                       _fill(result, levels, 0, 2), limit_pct)
            + _published(case, "3.3", "W outer", levels, columns["W_B"][rows],
                         _fill(result, levels, 1, 2), limit_pct))


def holed_hemisphere(elements: int = 24, degree: int = 3, limit_pct: float = 1.0,
                     levels: Sequence[float] = (0.1, 0.25, 0.5, 0.75, 1.0)) -> list[Check]:
    """Sec. 3.4: hemisphere with an 18-degree hole, four radial forces of 400 on the equator."""
    columns = table("sze2004_3_4_hemisphere_18deg_hole")
    rows = _rows(columns, "P_over_Pmax", levels)
    quarter = np.pi / 2
    grid = np.linspace(0.0, 1.0, elements + 1)
    patch = sphere_patch(10.0, np.pi / 10 + (quarter - np.pi / 10) * grid, quarter * grid, degree)
    model = build_model(patch, elastic_sheet("hemisphere", 6.825e7, 0.3), 0.04,
                        {"bottom": SYMMETRIC, "top": SYMMETRIC},
                        layers=ELASTIC_LAYERS,
                        braces=(height_pin(patch, quarter, np.pi / 4),))
    load = Loads((PointLoad(quarter, 0.0, np.array([-200.0, 0.0, 0.0])),
                  PointLoad(quarter, quarter, np.array([0.0, 200.0, 0.0]))))
    points = np.array([[quarter, 0.0], [quarter, quarter]])
    result = solve_static(model, load, levels, points, PATIENT)
    case = "hemisphere with hole"
    return (_published(case, "3.4", "V_A", levels, columns["V_A"][rows],
                       _fill(result, levels, 1, 1), limit_pct)
            + _published(case, "3.4", "-U_B", levels, columns["minus_U_B"][rows],
                         -_fill(result, levels, 0, 0), limit_pct))


def pinched_semicylinder(along: int = 20, around: int = 20, degree: int = 3,
                         limit_pct: float = 1.0, crowding: float = 1.2,
                         levels: Sequence[float] = (0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0)
                         ) -> list[Check]:
    """Sec. 3.7: half tube, one end held, top of the free end loaded by 2000 (half model).

    At a tenth of the load, where the path is steep, the published mesh is 2 % softer than ours at
    any refinement; this is beyond the limit. Elements become smaller towards the load. Coarser
    elements do not resolve the fold behind it and are 2 % in error between 0.4 and 0.6 of the load.
    """
    columns = table("sze2004_3_7_pinched_semicylinder")
    rows = _rows(columns, "P_over_Pmax", levels)
    share = np.linspace(0.0, 1.0, around + 1) ** crowding
    along_y = 1.0 - np.linspace(1.0, 0.0, along + 1) ** crowding
    patch = cylinder_patch(101.6, 0.5 * np.pi * share, 304.8 * along_y, degree)
    model = build_model(
        patch, elastic_sheet("tube", 2068.5, 0.3), 3.0,
        {"left": SYMMETRIC, "right": Edge((False, False, True), rotation_held=True),
         "bottom": HELD}, layers=ELASTIC_LAYERS)
    load = PointLoad(0.0, 304.8, np.array([0.0, 0.0, -1000.0]))
    result = solve_static(model, load, levels, np.array([[0.0, 304.8]]), SEARCHING)
    checks = _published("pinched semi-cylinder", "3.7", "-W", levels,
                        columns["minus_W_isotropic"][rows], -_fill(result, levels, 0, 2),
                        limit_pct)
    why = "steep part of the path; ours stays at any refinement, the published mesh is coarse"
    return [replace(check, known=why) if level <= 0.1 else check
            for check, level in zip(checks, levels, strict=True)]


def hinged_roof(thickness: float, elements: int = 12, degree: int = 3) -> PathResult:
    """Sec. 3.8: path of the apex of a shallow roof under a central force, 3000 at factor 1.

    Straight edges hinged, curved edges free; quarter model. The arc-length method follows the path
    through snap-through (thickness 12.7) and snap-back (6.35).
    """
    patch = cylinder_patch(2540.0, np.linspace(0.0, 0.1, elements + 1),
                           np.linspace(0.0, 254.0, elements + 1), degree)
    model = build_model(patch, elastic_sheet("roof", 3102.75, 0.3), thickness,
                        {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HINGED, "top": FREE},
                        layers=ELASTIC_LAYERS)
    # A quarter of 3000, for the quarter model.
    load: StaticLoad = PointLoad(0.0, 0.0, np.array([0.0, 0.0, -750.0]))
    settings = ArcSettings(first=0.3, smallest=1e-3, largest=0.8, steps=150)
    return trace_path(model, load, settings, np.array([[0.0, 0.0]]),
                      lambda moved, factor: factor > 1.0)


def roof_checks(thickness: float, elements: int = 12, degree: int = 3,
                limit_pct: float = 1.0) -> list[Check]:
    """Limit load, lowest load, turning points of the apex displacement, and its value at full load.

    Errors of loads are relative to the limit load.
    """
    columns = table("sze2004_3_8_hinged_roof_h" + f"{thickness:g}".replace(".", "p") + "_iso")
    path = hinged_roof(thickness, elements, degree)
    curves = ((columns["P_over_Pmax"], columns["minus_W_C"]),
              (path.factors, -path.displacement[:, 0, 2]))
    wanted, found = (_landmarks(*curve) for curve in curves)
    limit = wanted["load where it first falls"]
    return [Check(f"hinged roof, h = {thickness:g}", key, wanted[key], found.get(key, np.nan),
                  limit_pct, Truth.PUBLISHED, SZE.format("3.8"), Status.SEEN,
                  limit if key.startswith("load") else None)
            for key in wanted]


def _landmarks(load: Array, down: Array) -> dict[str, float]:
    """Turning points of load and displacement along a path, and the displacement at full load."""
    marks = {}
    for name, rising in (("load", load), ("crown displacement", down)):
        highest, lowest = _turns(rising, load, down)
        if highest:
            marks[f"{name} where it first falls"] = highest[0]
        if lowest:
            marks[f"{name} where it rises again"] = lowest[-1]
    # Parabola through the last three points, evaluated at load factor 1.
    ends = np.polyfit(load[-3:] - 1.0, down[-3:], 2)
    marks["crown displacement at full load"] = float(ends[-1])
    return marks


def _turns(values: Array, load: Array, down: Array) -> tuple[list[float], list[float]]:
    """Local maxima and minima along a path, from parabolas through three points over its length."""
    # Length along the path, with both quantities scaled by their ranges.
    along = np.append(0.0, np.cumsum(np.hypot(np.diff(load) / np.ptp(load),
                                              np.diff(down) / np.ptp(down))))
    highest: list[float] = []
    lowest: list[float] = []
    for k in range(1, values.size - 1):
        before, after = values[k] - values[k - 1], values[k + 1] - values[k]
        if before * after < 0.0:
            a, b, c = np.polyfit(along[k - 1 : k + 2] - along[k], values[k - 1 : k + 2], 2)
            (highest if before > 0.0 else lowest).append(float(c - b * b / (4.0 * a)))
    return highest, lowest


def height_pin(patch: Patch, u: float, v: float, N_per_mm: float = 1e3) -> SpringSet:
    """One spring in z at a point; it removes a rigid motion that no load causes, so that the
    matrix is not singular."""
    (eu, bu), (ev, bv) = patch.basis_u.local(np.array([u])), patch.basis_v.local(np.array([v]))
    shape = (bu[:, :, None, 0] * bv[:, None, :, 0]).reshape(1, -1)
    stiffness = np.diag([0.0, 0.0, N_per_mm])[None]
    zero = np.zeros((1, 3))
    return SpringSet(eu * patch.basis_v.elements + ev, shape, stiffness, zero, zero)
