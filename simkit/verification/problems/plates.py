"""Elastic plates: small and large deflection, square and circular."""

from __future__ import annotations

import numpy as np

from simkit.mechanics.loads import AreaLoad, PointLoad, StaticLoad, Where
from simkit.mechanics.model import Model, build_model
from simkit.mechanics.statics import solve_linear, solve_static
from simkit.panel.edges import HELD, HINGED, SYMMETRIC, Edge
from simkit.panel.shapes import height_patch, polar_patch
from simkit.spline.basis import graded_breaks
from simkit.verification.problems.check import (
    Array,
    Check,
    Status,
    Truth,
    elastic_sheet,
    stiffness,
    table,
)

E_MPA = 200000.0
UP = np.array([0.0, 0.0, 1.0])
CENTRE = np.zeros((1, 2))
FELIPPA = "Felippa and Bergan 1986 (CMAME), Table 3, in a public transcription; Navier's series"
LEVY = "S. Levy 1942, NACA TN 847, Table 5 (transcription)"
LEVY_TRUSTED = 150.0
"""Load up to which Levy's table agrees with the converged solution of his equations within 1 %."""
LEVY_SERIES = ("his truncated series lies above the converged solution of the same equations, with "
               "which ours agrees (the rows by Ritz's method)")
CIRCLE = "closed form of thin-plate theory (public transcriptions of Timoshenko's and Roark's)"


def square_model(half_mm: float, thickness_mm: float, nu: float, rim: tuple[Edge, Edge],
                 elements: int, degree: int, spread: float = 1.0) -> Model:
    """Quarter of a square plate; its outermost elements are ``spread`` times as large as the
    innermost.

    ``rim``: the sides x = half and y = half.
    """
    breaks = np.linspace(0.0, half_mm, elements + 1)
    if spread != 1.0:
        sizes = np.cumsum(np.geomspace(1.0, spread, elements))
        breaks = half_mm * np.append(0.0, sizes / sizes[-1])
    patch = height_patch(lambda x, y: 0.0 * x, breaks, breaks, degree)
    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": rim[0], "top": rim[1]}
    return build_model(patch, elastic_sheet("elastic", E_MPA, nu), thickness_mm, edges,
                       layers=2)


def circular_model(radius_mm: float, thickness_mm: float, nu: float, rim: Edge, elements: int,
                   degree: int, core_mm: float | None = None) -> Model:
    """Quarter of a circular plate with the pole at its centre and two elements along the radius
    ``core_mm`` of its core."""
    size = radius_mm / elements
    core = 2.0 * size if core_mm is None else core_mm
    # Small elements at the centre, where the curvature under a point load is singular.
    radii = graded_breaks(0.0, radius_mm, 0.0, core, core / 2, size, 1.6)
    patch = polar_patch(radii, np.linspace(0.0, np.pi / 2, 7), degree=degree)
    edges = {"left": Edge((True, True, False), pole=True), "right": rim, "bottom": SYMMETRIC,
             "top": SYMMETRIC}
    return build_model(patch, elastic_sheet("elastic", E_MPA, nu), thickness_mm, edges,
                       layers=2)


def _centre(model: Model, load: StaticLoad) -> float:
    return float(solve_linear(model, load, CENTRE).displacement[0, 2])


def small_square(elements: int = 12, degree: int = 3, limit_pct: float = 0.1) -> list[Check]:
    """Square plate, side a = 100 mm, t = 0.5 mm: coefficients of q a^4 / D and P a^2 / D."""
    a, t, nu = 100.0, 0.5, 0.3
    d = stiffness(E_MPA, nu, t)
    uniform, point = AreaLoad(UP), PointLoad(0.0, 0.0, 0.25 * UP)
    cases: list[tuple[str, Edge, StaticLoad, float, float, float, float, str, Status]] = [
        ("clamped square, uniform", HELD, uniform, a**4 / d, 0.00126532, 1.0, limit_pct,
         "scikit-fem test example 48 (biharmonic, unit square); Ritz series", Status.SEEN),
        ("simply supported square, uniform", HINGED, uniform, a**4 / d, 0.00406235, 1.0,
         limit_pct, FELIPPA, Status.SEEN),
        ("simply supported square, central point", HINGED, point, a**2 / d, 0.01160084, 15.0,
         limit_pct, FELIPPA, Status.SEEN),
        ("clamped square, central point", HELD, point, a**2 / d, 0.005612, 15.0, limit_pct,
         "Timoshenko and Woinowsky-Krieger (0.0056 seen, 0.005612 from memory)", Status.MEMORY),
    ]
    checks = []
    for case, rim, load, unit, wanted, spread, limit, source, status in cases:
        model = square_model(a / 2, t, nu, (rim, rim), elements, degree, spread)
        checks.append(Check(case, "centre deflection, coefficient", wanted,
                            _centre(model, load) / unit, limit, Truth.PUBLISHED, source, status))
    return checks


def small_circular(elements: int = 16, degree: int = 3, limit_pct: float = 0.1) -> list[Check]:
    """Circular plate, radius a = 50 mm, t = 0.5 mm, clamped and hinged, uniform and point load."""
    a, t, nu = 50.0, 0.5, 0.3
    d = stiffness(E_MPA, nu, t)
    uniform, point = AreaLoad(UP), PointLoad(0.0, 0.0, 0.25 * UP)
    more = (5.0 + nu) / (1.0 + nu)  # hinged over clamped deflection under uniform load
    cases: list[tuple[str, Edge, StaticLoad, float, float | None]] = [
        ("clamped circle, uniform", HELD, uniform, a**4 / (64.0 * d), None),
        ("hinged circle, uniform", HINGED, uniform, more * a**4 / (64.0 * d), None),
        ("clamped circle, central point", HELD, point, a**2 / (16.0 * np.pi * d), 0.01 * a),
        ("hinged circle, central point", HINGED, point,
         (3.0 + nu) / (1.0 + nu) * a**2 / (16.0 * np.pi * d), 0.01 * a),
    ]
    checks = []
    for case, rim, load, exact, core in cases:
        model = circular_model(a, t, nu, rim, elements, degree, core)
        checks.append(Check(case, "centre deflection per unit load, mm", exact,
                            _centre(model, load), limit_pct, Truth.EXACT, CIRCLE, Status.SEEN))
    return checks


def within(radius_mm: float) -> Where:
    """Factor of a load: 1 inside a circle about the z axis in plan, 0 outside."""
    def share(at: Array) -> Array:
        return np.where(np.hypot(at[:, 0], at[:, 1]) < radius_mm, 1.0, 0.0)

    return share


def deflections(model: Model, load: StaticLoad, factors: Array) -> Array:
    """Centre deflections at load factors, mm."""
    result = solve_static(model, load, list(factors), CENTRE)
    values = np.full(len(factors), np.nan)
    values[: result.factors.size] = result.displacement[:, 0, 2]
    return values


def levy_square(elements: int = 12, degree: int = 3, limit_pct: float = 1.0) -> list[Check]:
    """Levy's clamped square plate under pressure to 1.9 times its thickness.

    In the plane, the edges cannot move in the normal direction but can slide along themselves (no
    shear force on the edge). From w = 1.2 h on, Levy's truncated series lies up to 2 % above the
    converged solution of the same equations (Ritz's method, 64 terms for the deflection). There our
    values differ from his table by more than the limit and agree with Ritz's within 0.3 %.
    """
    rim = (Edge((True, False, True), rotation_held=True),
           Edge((False, True, True), rotation_held=True))
    a, h, nu = 100.0, 1.0, 0.316
    columns = table("levy_tn847_clamped_square_uniform")
    load, wanted = columns["q_a4_over_E_h4"], columns["w_center_over_h"]
    model = square_model(a / 2, h, nu, rim, elements, degree)
    found = deflections(model, AreaLoad(UP * E_MPA * h**4 / a**4), load) / h
    checks = [Check("Levy's clamped square", f"w/h at q a^4/E h^4 = {q:g}", w, v,
                    limit_pct, Truth.PUBLISHED, LEVY, Status.SEEN,
                    known="" if q < LEVY_TRUSTED else LEVY_SERIES)
              for q, w, v in zip(load, wanted, found, strict=True)]
    columns = table("own_ritz_clamped_square_uniform_nu0p316")
    checks += [Check("clamped square, sliding rim, Ritz", f"w/h at q a^4/E h^4 = {q:g}", w, v, 0.3,
                     Truth.OWN, "von Karman's plate by Ritz's method (own, data/README)",
                     Status.RECOMPUTED)
               for q, w, v in zip(columns["q_a4_over_E_h4"], columns["sliding_rim"], found,
                                  strict=True)]
    rim = (HELD, HELD)
    model = square_model(a / 2, h, nu, rim, elements, degree)
    found = deflections(model, AreaLoad(UP * E_MPA * h**4 / a**4), load) / h
    return checks + [
        Check("clamped square, held rim, Ritz", f"w/h at q a^4/E h^4 = {q:g}", w, v, 0.3,
              Truth.OWN, "von Karman's plate by Ritz's method (own, data/README)",
              Status.RECOMPUTED)
        for q, w, v in zip(columns["q_a4_over_E_h4"], columns["held_rim"], found, strict=True)]


def von_karman_circles(elements: int = 16, degree: int = 3, limit_pct: float = 0.5) -> list[Check]:
    """Circular plates at large deflection, compared with our own solutions of the axisymmetric
    boundary-value problem."""
    a, h, nu = 200.0, 1.0, 0.3
    checks = []
    source = "axisymmetric von Karman equations solved by collocation (own, see data/README)"
    for case, name, column, rim, point in (
            ("clamped circle, large, uniform", "own_vonkarman_circular_clamped_uniform_nu0p3",
             "q_a4_over_E_h4", HELD, False),
            ("hinged circle, large, uniform", "own_vonkarman_circular_ss_immovable_uniform_nu0p3",
             "q_a4_over_E_h4", HINGED, False),
            ("clamped circle, large, point", "own_vonkarman_circular_clamped_pointload_nu0p3",
             "P_a2_over_E_h4", HELD, True)):
        columns = table(name)
        keep = np.isin(columns["w0_over_h"], (0.25, 0.5, 1.0, 2.0, 3.0, 5.0))
        wanted, level = columns["w0_over_h"][keep], columns[column][keep]
        radius = 0.005 * a
        model = circular_model(a, h, nu, rim, elements, degree, radius if point else None)
        load: StaticLoad = AreaLoad(UP * E_MPA * h**4 / a**4)
        if point:
            # over the disc of 0.005 a that the reference uses
            load = AreaLoad(UP * E_MPA * h**4 / a**2 / (np.pi * radius**2), within(radius))
        found = deflections(model, load, level) / h
        checks += [Check(case, f"w0/h at load {q:g}", w, v, limit_pct, Truth.OWN, source,
                         Status.RECOMPUTED)
                   for q, w, v in zip(level, wanted, found, strict=True)]
    return checks
