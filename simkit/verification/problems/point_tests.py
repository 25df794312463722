"""A uniform piece of sheet in tension and compression: the shell must follow the material law.

In logarithmic strain a bar of volume V at stretch s carries the force F = T V / L with T the
Kirchhoff stress, T = law(p), p = ln s - T / E (tension); in equibiaxial stretch T = law(p) with
p = 2 (ln s - T (1 - nu) / E).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from simkit.material.hardening import Backstress, HardeningLaw, Sheet, Swift, TableLaw, Voce
from simkit.mechanics.model import build_model
from simkit.mechanics.statics import solve_static
from simkit.panel.edges import Edge, side_points
from simkit.panel.shapes import mapped_patch
from simkit.solve.nonlinear.newton import NewtonSettings
from simkit.solve.nonlinear.stepping import StepSettings
from simkit.verification.problems.check import Array, Check, Status, Truth

YOUNG, NU, SIDE, THICKNESS = 206000.0, 0.3, 20.0, 0.75
LAWS: dict[str, HardeningLaw] = {
    "Swift": Swift(560.0, 0.006, 0.24),
    "Voce": Voce(120.0, 260.0, 14.0, 180.0),
    "table": TableLaw(np.array([0.0, 0.01, 0.05, 0.2]), np.array([150.0, 190.0, 250.0, 330.0])),
}
IDENTITY = "von Mises plasticity in closed form (derived in the module's text)"
STEPS = StepSettings(first=0.02, newton=NewtonSettings(iterations=40, force_tolerance=1e-9))


def _square(u: Array, v: Array) -> Array:
    """A square with straight sides and a distorted parametrisation inside."""
    # The sines vanish on all sides, which stay straight.
    x = u + 0.08 * np.sin(np.pi * u) * np.sin(np.pi * v)
    y = v - 0.06 * np.sin(np.pi * u) * np.sin(2 * np.pi * v)
    return SIDE * np.stack([x, y, 0.0 * u], axis=1)


def _forces(sheet: Sheet, stretches: list[float], both: bool, degree: int,
            steps: StepSettings = STEPS) -> Array:
    """Force on the right side at given stretches of the square (along x, or in both directions),
    N."""
    breaks = np.linspace(0.0, 1.0, 4)
    patch = mapped_patch(_square, breaks, breaks, degree)
    edges = {"left": Edge((True, False, True)), "bottom": Edge((False, True, True)),
             "right": Edge((True, False, True))}
    if both:
        edges["top"] = Edge((False, True, True))
    model = build_model(patch, sheet, THICKNESS, edges, layers=2)
    right, top = side_points(patch, "right"), side_points(patch, "top")
    path = np.zeros_like(patch.control)
    path[right, 0] = SIDE
    if both:
        path[top, 1] = SIDE
    forces, state, last = np.full(len(stretches), np.nan), None, 0.0
    for k, stretch in enumerate(stretches):
        result = solve_static(model, None, [stretch - 1.0], np.zeros((1, 2)), steps, state, path,
                              start=last)
        if not result.converged:
            break
        state, last = result.state, stretch - 1.0
        forces[k] = result.force[right, 0].sum()
    return forces


def tension_and_stretch(degree: int = 2, limit_pct: float = 0.01) -> list[Check]:
    """Force at 2, 5 and 10 per cent of tension and of equibiaxial stretch, by each law."""
    checks = []
    volume = SIDE * SIDE * THICKNESS
    stretches = [1.02, 1.05, 1.10]
    for name, law in LAWS.items():
        for case, both, share, elastic in (("tension", False, 1.0, 1.0),
                                           ("equibiaxial stretch", True, 2.0, 1.0 - NU)):
            found = _forces(Sheet(name, YOUNG, NU, law), stretches, both, degree)
            for stretch, value in zip(stretches, found, strict=True):
                strain = np.log(stretch)
                stress = brentq(lambda s, e=strain, a=elastic, m=share, h=law:
                                s - float(h.stress(m * (e - a * s / YOUNG))), 0.0, 2000.0,
                                xtol=1e-10)
                # along one side: force = T V / (stretch^2 side) x the other side's stretch
                force = stress * volume / (SIDE * stretch)
                checks.append(Check(f"{case}, {name} law", f"force at stretch {stretch:g}, N",
                                    force, value, limit_pct, Truth.EXACT, IDENTITY,
                                    Status.DERIVED))
    return checks


def reversed_tension(degree: int = 2, limit_pct: float = 0.5) -> list[Check]:
    """Tension to 3 per cent and back: the Armstrong-Frederick backstress has a closed form."""
    term, law = Backstress(6000.0, 120.0), LAWS["Voce"]
    stretches = [1.03, 1.02, 1.0]
    # backward Euler integrates the backstress with an error of first order: small steps are needed
    found = _forces(Sheet("backstress", YOUNG, NU, law, (term,)), stretches, False, degree,
                    replace(STEPS, first=1e-4))
    limit = term.saturation_MPa

    def forward(p: float) -> float:
        return float(law.stress(p)) + limit * -np.expm1(-term.recovery * p)

    def back(p: float) -> float:
        return (turned * np.exp(-term.recovery * (p - p1)) - limit) - float(law.stress(p))

    p1 = brentq(lambda p: p - (np.log(1.03) - forward(p) / YOUNG), 0.0, 0.1, xtol=1e-14)
    turned = forward(p1) - float(law.stress(p1)) + limit
    wanted = [forward(p1)]
    for stretch in stretches[1:]:
        strain = float(np.log(stretch))
        p = brentq(lambda p, e=strain: 2 * p1 - p + back(p) / YOUNG - e, p1, 0.2, xtol=1e-14)
        wanted.append(back(p))
    return [Check("tension reversed, backstress", f"stress at stretch {s:g}, MPa", w,
                  f * s / (SIDE * THICKNESS), limit_pct, Truth.EXACT,
                  "Armstrong-Frederick law integrated in closed form", Status.DERIVED)
            for s, w, f in zip(stretches, wanted, found, strict=True)]
