"""Stored folders of our own invention: numbers drawn by formula, no solver behind them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from simkit.panel.surface import Curvature
from simkit.spline.basis import Basis
from simkit.spline.patch import Patch

TOLERANCE = 0.1


def shape(bowl: float, crown: float, wave: float, hole: bool = True):
    """Grid and deviation: bowl and two crown lobes of given heights (mm) on 600 x 400 mm."""
    x = np.linspace(-300.0, 300.0, 201)
    y = np.linspace(-200.0, 200.0, 135)
    xx, yy = np.meshgrid(x - 40.0, y + 20.0)
    r = np.hypot(xx / 1.15, yy)
    d = -bowl * np.exp(-((r / 32.0) ** 2.2))
    for side in (-1.0, 1.0):
        d += crown * np.exp(-(((xx - side * 66.0) / 22.0) ** 2) - (yy / 38.0) ** 2)
    d += wave * np.cos(xx / 12.0) * np.cos(yy / 14.0) * np.exp(-((r / 60.0) ** 2))
    if hole:
        d[np.hypot(*np.meshgrid(x - 300.0, y - 200.0)) < 90.0] = np.nan
    return x, y, d


def surface() -> Patch:
    """Undamaged panel of the runs below: 600 x 400 mm, curved in both directions."""
    u = Basis.from_breaks(np.linspace(-300.0, 300.0, 76), 2)
    v = Basis.from_breaks(np.linspace(-200.0, 200.0, 51), 2)
    bulge = Curvature(1200.0, 700.0)
    return Patch.from_map(lambda x, y: np.stack([x, y, bulge.height(x, y)], axis=1), u, v)


def moved(patch: Patch, x, y, d) -> np.ndarray:
    """Control points moved by about d along z (a B-spline of d's values at their places)."""
    look = RegularGridInterpolator((y, x), np.nan_to_num(d))
    xx, yy = np.meshgrid(patch.basis_u.greville(), patch.basis_v.greville(), indexing="ij")
    out = np.zeros_like(patch.control)
    out[:, 2] = look(np.stack([yy.ravel(), xx.ravel()], axis=1))
    return out


def sheet(patch: Patch, plastic: float) -> dict[str, np.ndarray]:
    """Invented maps of the sheet, element by element."""
    u = 0.5 * (patch.basis_u.breaks[1:] + patch.basis_u.breaks[:-1])
    v = 0.5 * (patch.basis_v.breaks[1:] + patch.basis_v.breaks[:-1])
    hill = np.exp(-(((u[:, None] - 40.0) / 30.0) ** 2) - ((v[None, :] + 20.0) / 30.0) ** 2)
    scales = {"plastic_strain": plastic, "thinning_pct": 40.0 * plastic,
              "paint_strain": 1.2 * plastic, "residual_outer_MPa": 180.0,
              "residual_inner_MPa": 150.0}
    return {f"sheet_{name}": (scale * hill).astype(np.float32) for name, scale in scales.items()}


PLAN = [  # operation, tool, x, y, force N, bowl, crown, wave
    ("", "", None, None, None, 4.02, 0.36, 0.0),
    ("tap-down", "ball 10 mm", 106, -20, 260, 3.55, 0.22, 0.03),
    ("tap-down", "ball 10 mm", -26, -20, 250, 3.02, 0.12, 0.05),
    ("pull", "round 25 mm", 40, -20, 640, 1.71, 0.18, 0.06),
    ("pull", "round 25 mm", 40, -20, 905, 0.93, 0.24, 0.09),
    ("tap-down", "ball 10 mm", 106, -20, 190, 0.84, 0.11, 0.09),
    ("push", "ball 16 mm", 36, -16, 310, 0.38, 0.14, 0.11),
    ("pull", "round 16 mm", 46, -30, 480, 0.15, 0.13, 0.12),
    ("tap-down", "ball 6 mm", -26, -20, 150, 0.06, 0.06, 0.07),
]


CASE = {
    "format": 1, "simkit": "0.1.0", "data_sha256": {"dent.points_csv": "0" * 64},
    "case": {
        "title": "Invented dent", "about": "Invented for the tests.",
        "panel": {"surface": "curved", "outline": "rectangle", "length_x_mm": 600.0,
                  "length_y_mm": 400.0, "radius_x_mm": 1200.0, "radius_y_mm": 700.0,
                  "thickness_mm": 0.75, "grade": "DC04",
                  "edges": dict.fromkeys(("left", "right", "bottom", "top"), "held"),
                  "supports": [{"shape": "line", "name": "brace", "x_mm": 60.0, "y_mm": 60.0,
                                "length_mm": 300.0, "width_mm": 5.0, "angle_deg": 10.0,
                                "stiffness_N_per_mm3": 1.0}],
                  "behind": {"reach": [{"x_mm": 30.0, "y_mm": -10.0, "length_mm": 90.0,
                                        "width_mm": 60.0, "angle_deg": 0.0}]}},
        "kit": {"tabs": [{"name": "round 25 mm", "kind": "round", "diameter_mm": 25.0},
                         {"name": "round 16 mm", "kind": "round", "diameter_mm": 16.0}],
                "tips": [{"name": "ball 10 mm", "kind": "ball", "radius_mm": 10.0}],
                "glue": "standard-hot-melt"},
        "limits": {"steps": 16, "pull_force_N": 2500.0, "push_force_N": 1500.0,
                   "paint_strain": 0.05},
        "goal": {"tolerance_mm": TOLERANCE, "slope_mrad": 2.0, "slope_base_mm": 20.0,
                 "stage": "finished"}}}


def write_run(folder: Path, plan=PLAN, strategy="crown-first", flat=True) -> Path:
    """Store a run folder in the project's format."""
    (folder / "fields").mkdir(parents=True)
    (folder / "steps").mkdir()
    info = {"format": 1, "simkit": "0.1.0", "kind": "run", "strategy": strategy,
            "title": "Invented dent, 4 mm deep, curved steel panel",
            "outcome": "flat" if flat else "step limit reached",
            "goal": {"tolerance_mm": TOLERANCE}, "case": {},
            "panel": {"length_x_mm": 600.0, "length_y_mm": 400.0}}
    (folder / "run.json").write_text(json.dumps(info, indent=1), encoding="utf-8")
    patch = surface()
    np.savez(folder / "surface.npz", knots_u=patch.basis_u.knots, knots_v=patch.basis_v.knots,
             degree=2, control_mm=patch.control)
    (folder / "case.json").write_text(json.dumps(CASE), encoding="utf-8")
    rows = []
    for n, (operation, tool, x, y, force, bowl, crown, wave) in enumerate(plan):
        xs, ys, d = shape(bowl, crown, wave)
        np.savez(folder / "fields" / f"{n:04d}.npz", x_mm=xs, y_mm=ys, d_mm=d,
                 moved_mm=moved(patch, xs, ys, d), **sheet(patch, 0.02 + 0.002 * n))
        rows.append({"step": n, "operation": operation, "tool": tool, "x_mm": x, "y_mm": y,
                     "travel_mm": None if x is None else 2.0, "force_N": force,
                     "outcome": "glue let go" if n == 3 else "converged",
                     "max_low_mm": np.nanmin(d), "max_high_mm": np.nanmax(d),
                     "improvement_pct": 100.0 * (1.0 - bowl / 4.02), "crown_mm": crown,
                     "minutes": 3.0 * (n > 0), "goal_mm": None if x is None else 0.0,
                     "before_mm": None if x is None else -bowl - 0.5,
                     "released_mm": None if x is None else -bowl,
                     "max_face_strain": 0.01 + 0.001 * n,
                     "max_plastic_strain": 0.02 + 0.002 * n, "stretch_mm2": -0.4, "snapped": "no",
                     "energy_error_pct": 0.2})
    write_csv(folder / "steps.csv", rows)
    travel = np.linspace(0.0, 4.4, 40)
    write_csv(folder / "steps" / "0004_path.csv",
              [{"travel_mm": t, "force_N": 905 * np.sin(t / 4.4 * 1.5) ** 0.8 if t else 0.0,
                "predicted_release_mm": -1.71 + 0.1 * t + 0.01 * t**3} for t in travel])
    return folder


def write_csv(path: Path, rows: list[dict]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def write_comparison(folder: Path) -> Path:
    """Store a comparison of three strategies."""
    slow = [("pull", "round 25 mm", 40, -20, 900 - 50 * k, 3.1 * 0.71**k, 0.5 * 0.9**k,
             0.02 * k**0.8) for k in range(12)]
    mixed = [(*PLAN[3 + k % 6][:5], 2.6 * 0.66**k, 0.3 * 0.82**k, 0.07) for k in range(9)]
    plans = {"centre-first": PLAN[:1] + slow, "crown-first": PLAN,
             "worst-spot-first": PLAN[:1] + mixed}
    rows = []
    for name, plan in plans.items():
        flat = name != "centre-first"
        write_run(folder / "runs" / name, plan, name, flat)
        _, _, d = shape(*plan[-1][5:])
        rows.append({"strategy": name, "flat": flat, "steps": len(plan) - 1,
                     "tool_changes": 4, "minutes": 3.1 * len(plan), "max_low_mm": np.nanmin(d),
                     "max_high_mm": np.nanmax(d), "improvement_pct": 96.2, "stretch_mm2": 3.21,
                     "max_force_N": 905.0, "max_plastic_strain": 0.0431, "crown_start_mm": 0.36,
                     "steps_bulk": 4, "minutes_bulk": 12.0, "steps_roughed": 7 if flat else "",
                     "minutes_roughed": 21.0 if flat else "", "steps_fine": "", "minutes_fine": "",
                     "steps_finished": len(plan) - 1 if flat else "",
                     "minutes_finished": 3.0 * (len(plan) - 1) if flat else "",
                     "max_face_strain": 0.02, "crown_end_mm": plan[-1][6],
                     "outcome": "flat" if flat else "step limit"})
    write_csv(folder / "compare.csv", rows)
    (folder / "compare.json").write_text(json.dumps(
        {"format": 1, "kind": "comparison", "title": "Invented dent, three strategies",
         "goal": {"tolerance_mm": TOLERANCE}}), encoding="utf-8")
    return folder


@pytest.fixture
def run_folder(tmp_path: Path) -> Path:
    return write_run(tmp_path / "run")


@pytest.fixture
def short_run(tmp_path: Path) -> Path:
    """Two steps, and no surface: few pictures, quickly drawn."""
    folder = write_run(tmp_path / "short", PLAN[:1] + PLAN[3:5])
    (folder / "surface.npz").unlink()
    return folder


@pytest.fixture
def comparison_folder(tmp_path: Path) -> Path:
    return write_comparison(tmp_path / "comparison")
