"""A quarter panel, pressed by a rigid ball and released: one problem for simkit and CalculiX.

The panel lies on x, y >= 0 with planes of symmetry at x = 0 and y = 0; its outer edges are held
(no displacement, no rotation). The ball is above the middle. It is pressed in along -z by a travel
from first touch, then withdrawn. Results are deviations of material points of the mid-surface along
the undamaged normal, as everywhere in simkit.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from simkit.material.grades import load_grade
from simkit.material.hardening import Sheet
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SYMMETRIC
from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis, graded_breaks
from simkit.spline.patch import Patch
from simkit.tool.bodies import ball
from simkit.verification.peer import decks
from simkit.verification.peer.ccx import PeerRun, run_deck
from simkit.verification.peer.results import displacements, forces
from simkit.verification.peer.solids import HexGrid, ball_cap, layered_panel, panel_normal

Array = NDArray[np.float64]
CONTACT_MPA_PER_MM = 2.0e4
"""Penalty stiffness for CalculiX: it keeps the penetration below 0.01 mm, as in simkit."""
BALL_HALF_ANGLE = np.radians(45.0)
BALL_ELEMENT_MM = 2.0
SAMPLE_MM, KEPT = 1.0, 4
REFERENCE_CURVATURE = Curvature(1200.0, 600.0)


@dataclass(frozen=True)
class PressedPanel:
    """The problem; lengths in mm. The whole panel is a square with sides 2 half_mm."""

    half_mm: float = 160.0
    curvature: Curvature = REFERENCE_CURVATURE
    thickness_mm: float = 0.75
    grade: str = "reference-steel"
    ball_mm: float = 25.0
    travel_mm: float = 8.0
    window_mm: float = 70.0

    @property
    def sheet(self) -> Sheet:
        """Material of the sheet, with the same numbers for both codes."""
        return load_grade(self.grade).sheet()

    def breaks(self, fine_mm: float) -> Array:
        """Element borders along x and along y: ``fine_mm`` in the window, up to four times
        that outside; both codes use them."""
        return graded_breaks(0.0, self.half_mm, 0.0, self.window_mm, fine_mm, 4.0 * fine_mm)


@dataclass(frozen=True)
class Answer:
    """The result of one code.

    Attributes
    ----------
    x_mm (n,), d_mm (n, n) : sample places, the same along x and y; deviation after release.
    force_N : peak force on the whole panel; wall_s, cpu_s : wall and processor time.
    counts : equations, increments, iterations and so on.
    curve : (m, 2) travel, mm, and force, N, during loading.
    """

    x_mm: Array
    d_mm: Array
    force_N: float
    wall_s: float
    cpu_s: float
    counts: dict[str, float]
    curve: Array

    def numbers(self) -> dict[str, float]:
        """Residual depth, crown height (largest of all, on the x axis, on the y axis), mm; force,
        N."""
        return {"residual_depth_mm": float(-self.d_mm[0, 0]),
                "crown_mm": float(self.d_mm.max()), "crown_x_mm": float(self.d_mm[:, 0].max()),
                "crown_y_mm": float(self.d_mm[0].max()), "peak_force_N": self.force_N}

    def coarse(self) -> Array:
        """Deviation at every :data:`KEPT`-th sample place, as in a stored reference, mm."""
        return self.d_mm[::KEPT, ::KEPT]


def sample_places(case: PressedPanel) -> Array:
    """Places along an axis at which shapes are compared, mm."""
    return np.linspace(0.0, case.half_mm, round(case.half_mm / SAMPLE_MM) + 1)


@dataclass(frozen=True)
class ShellMesh:
    """Mesh and settings for simkit."""

    fine_mm: float
    degree: int = 2
    layers: int = 5
    largest_mm: float = 1.0
    threads: int = 1


def shell_model(case: PressedPanel, mesh: ShellMesh) -> Model:
    """simkit's quarter panel."""
    basis = Basis.from_breaks(case.breaks(mesh.fine_mm), mesh.degree)

    def surface(x: Array, y: Array) -> Array:
        return np.stack([x, y, case.curvature.height(x, y)], axis=1)

    edges = {"left": SYMMETRIC, "bottom": SYMMETRIC, "right": HELD, "top": HELD}
    return build_model(Patch.from_map(surface, basis, basis), case.sheet, case.thickness_mm,
                       edges, mesh.layers, threads=mesh.threads)


def solve_shell(case: PressedPanel, mesh: ShellMesh) -> Answer:
    """Build the model, press and release with simkit; the time is that of all three.

    Raises
    ------
    ArithmeticError : no equilibrium was found.
    """
    start, cpu = time.perf_counter(), time.process_time()
    model = shell_model(case, mesh)
    virgin = model.virgin()
    down = np.array([0.0, 0.0, -1.0])
    tip = set_tip(model, virgin, ball(case.ball_mm), np.zeros(3), down, case.travel_mm)
    done = advance(model, virgin, Load(tip, case.travel_mm),
                   AdvanceSettings(first_mm=min(0.2, mesh.largest_mm),
                                   largest_mm=mesh.largest_mm))
    cpu = time.process_time() - cpu
    wall = time.perf_counter() - start
    if not done.outcome.valid:
        raise ArithmeticError(f"simkit at {mesh}: {done.reason}")
    x = sample_places(case)
    # the quarter model carries a quarter of the force
    curve = np.array([(0.0, 0.0)] + [(p.travel_mm, 4.0 * p.force_N) for p in done.path])
    return Answer(x, _shell_deviation(case, model, done.state, x), 4.0 * done.force_N, wall,
                  cpu, {"equations": model.layout.count, "increments": len(done.path),
                   "iterations": done.iterations,
                   "energy_error_pct": done.energy_error_pct}, curve)


def _shell_deviation(case: PressedPanel, model: Model, state: State, x: Array) -> Array:
    uu, vv = (grid.ravel() for grid in np.meshgrid(x, x, indexing="ij"))
    moved = model.patch.evaluation(uu, vv) @ state.displacement
    return (moved * panel_normal(case.curvature, uu, vv)).sum(axis=1).reshape(x.size, x.size)


@dataclass(frozen=True)
class SolidMesh:
    """Mesh and settings for CalculiX: ``order`` 1 is C3D8I, 2 is C3D20R."""

    fine_mm: float
    layers: int = 2
    order: int = 2
    press: decks.Increments = field(default_factory=decks.Increments)
    release: decks.Increments = field(default_factory=decks.Increments)
    threads: int = 1


def panel_grid(case: PressedPanel, mesh: SolidMesh) -> HexGrid:
    """The panel as layers of solid elements."""
    breaks = case.breaks(mesh.fine_mm)
    return layered_panel(breaks, breaks, case.curvature, case.thickness_mm, mesh.layers,
                         mesh.order)


def held_quarter(grid: HexGrid) -> list[str]:
    """Boundary conditions: symmetry at x = 0 and y = 0, outer edge faces held."""
    return [*decks.numbered_set("NSET", "SYMX", grid.nodes((0, slice(None), slice(None)))),
            *decks.numbered_set("NSET", "SYMY", grid.nodes((slice(None), 0, slice(None)))),
            *decks.numbered_set("NSET", "RIM", np.union1d(
                grid.nodes((-1, slice(None), slice(None))),
                grid.nodes((slice(None), -1, slice(None))))),
            *decks.fixed("SYMX", [1]), *decks.fixed("SYMY", [2]), *decks.fixed("RIM", [1, 2, 3])]


def middle_levels(grid: HexGrid) -> list[int]:
    """Levels (in half elements) of the corner nodes nearest the mid-surface: one on it, or two at
    equal distances from it."""
    top = grid.number.shape[2] - 1
    # Corner nodes have even levels: with an odd number of layers none is at mid-thickness.
    return [k for k in (top // 2, top // 2 - 1, top // 2 + 1)
            if grid.number[0, 0, k] > 0][: 1 if grid.number[0, 0, top // 2] > 0 else 2]


def pressed_deck(case: PressedPanel, mesh: SolidMesh) -> str:
    """The whole deck: press in step 1, withdraw in step 2."""
    grid = panel_grid(case, mesh)
    centre = np.array([0.0, 0.0, 0.5 * case.thickness_mm + case.ball_mm])
    across = int(np.ceil(case.ball_mm * BALL_HALF_ANGLE / min(BALL_ELEMENT_MM, mesh.fine_mm)))
    sphere = ball_cap(case.ball_mm, centre, BALL_HALF_ANGLE, across)
    deck = decks.start_deck("quarter panel pressed by a rigid ball and released")
    deck = decks.add_grid(deck, grid, "PANEL", "SHEET")
    first = deck.elements
    deck = decks.add_grid(deck, sphere, "BALL", "RIGID")
    law = case.sheet
    breaks = case.breaks(mesh.fine_mm)
    # Only elements that the modelled cap can touch are in the contact pair.
    reach = np.flatnonzero(breaks[:-1] < case.ball_mm * np.sin(BALL_HALF_ANGLE))
    ii, jj = (a.ravel() for a in np.meshgrid(reach, reach, indexing="ij"))
    touched = grid.element(ii, jj, grid.counts[2] - 1)
    corners = grid.number[::2, ::2][:, :, middle_levels(grid)]
    deck += decks.material("SHEET", law)
    deck += decks.material("RIGID", law, plastic=False)
    deck += held_quarter(grid)
    deck += decks.numbered_set("NSET", "MIDDLE", np.sort(corners.ravel()))
    deck += decks.face_surface("FACE", touched, 2)
    deck += decks.face_surface("STRIKER", first + np.arange(1, len(sphere.elements) + 1), 2)
    deck += decks.penalty_contact("FACE", "STRIKER", CONTACT_MPA_PER_MM)
    prints = [*decks.print_total_force("BALL_N"), *decks.print_displacements("MIDDLE")]
    # The ball begins in contact; 0.5 mm above this place it no longer touches the panel.
    for increments, place in ((mesh.press, -case.travel_mm), (mesh.release, 0.5)):
        deck += decks.static_step(
            increments, ["*BOUNDARY", "BALL_N, 1, 2", f"BALL_N, 3, 3, {place:.10g}"], prints)
    return deck.text()


def solve_solid(case: PressedPanel, mesh: SolidMesh, folder: Path,
                limit_s: float | None = None) -> Answer:
    """Press and release with CalculiX; the times are those of the whole program.

    Raises
    ------
    ArithmeticError : the run did not finish.
    """
    run = run_deck(pressed_deck(case, mesh), folder, threads=mesh.threads, limit_s=limit_s)
    if not run.finished:
        raise ArithmeticError(f"CalculiX at {mesh} stopped at time {run.counts.time:g}: "
                              f"{run.said}")
    return solid_answer(case, mesh, run)


def solid_answer(case: PressedPanel, mesh: SolidMesh, run: PeerRun) -> Answer:
    """The results of a finished run."""
    grid = panel_grid(case, mesh)
    breaks = case.breaks(mesh.fine_mm)
    moved = displacements(run.blocks, "MIDDLE", 2.0)
    levels = [grid.number[::2, ::2, k] for k in middle_levels(grid)]
    u = np.mean([[[moved[int(n)] for n in row] for row in level] for level in levels], axis=0)
    xx, yy = np.meshgrid(breaks, breaks, indexing="ij")
    normal = panel_normal(case.curvature, xx.ravel(), yy.ravel()).reshape(u.shape)
    x = sample_places(case)
    force = forces(run.blocks, "BALL_N")
    # The reaction on the ball acts along -z while it presses, hence the absolute value below.
    loading = force[force[:, 0] <= 1.0 + 1e-9]  # step 1 of the deck: time 0 to 1 is the travel
    curve = np.vstack([(0.0, 0.0), np.column_stack([case.travel_mm * loading[:, 0],
                                                    4.0 * np.abs(loading[:, 3])])])
    return Answer(x, _between(breaks, (u * normal).sum(axis=2), x),
                  float(curve[:, 1].max()), run.wall_s, run.cpu_s,
                  {"equations": 3 * len(grid.place), "increments": run.counts.increments,
                   "iterations": run.counts.iterations, "dropped": run.counts.dropped}, curve)


def _between(breaks: Array, d: Array, x: Array) -> Array:
    """Deviation interpolated between corner nodes by cubic splines, as an even function about both
    planes of symmetry."""
    mirrored = np.concatenate([-breaks[:0:-1], breaks])
    whole = np.concatenate([d[:0:-1], d])
    whole = np.concatenate([whole[:, :0:-1], whole], axis=1)
    return RectBivariateSpline(mirrored, mirrored, whole, s=0)(x, x)
