"""Writes the invented measurements of the demo cases: `python cases/make_demo_data.py [CASE]`.

Nothing here was measured. The first dent is a blow simulated by simkit itself on an invented panel,
the bowl is a formula of our own; both are read off at gauge places with a seeded noise and
rounded to 0.01 mm, as a depth gauge would show them. The noise is normal with a standard deviation
of 0.02 mm. The left and the right panel are struck as their truth.yaml says and read at some
hundred places, which a person could do in ten minutes, with 0.05 mm and rounded to 0.1 mm.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import lambertw

from simkit.case import load_case
from simkit.history.given import field_of_state, strike_given
from simkit.inspection.sampling import point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import EDGES, SIDES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.repair.workpiece import make_workpiece
from simkit.tool.bodies import ball

Array = NDArray[np.float64]

NOISE_MM = 0.02
FOLDER = Path(__file__).resolve().parent
RINGS = ((0, 1), (6, 6), (12, 8), (25, 8), (38, 10), (50, 12), (63, 14), (78, 16), (95, 12),
         (120, 9))
"""Radius [mm] and number of gauge places of each ring round the struck dent."""


def profile(s: Array, depth_mm: float, crown_mm: float) -> Array:
    """-depth (1 - s) exp(-b s): exactly ``depth_mm`` at s = 0, ``crown_mm`` at its highest."""
    b = float(lambertw(depth_mm / (np.e * crown_mm)).real)
    return -depth_mm * (1.0 - s) * np.exp(-b * s)


def struck_dent(x: Array, y: Array) -> Array:
    """d [mm] of `first-dent`: a ball of 25 mm radius pressed by simkit into the virgin panel at
    (30, -15) until it leaves a dent 4.1 mm deep; read off at the places x, y."""
    panel = load_case(FOLDER / "first-dent").panel
    patch = rectangle_patch((-300.0, 300.0), (-200.0, 200.0), Curvature(1200.0, 600.0), 5.0, 25.0,
                            2, Window(-80.0, 140.0, -125.0, 95.0))
    held = dict.fromkeys(SIDES, EDGES["held"])
    model = build_model(patch, load_grade(panel.grade).sheet(), panel.thickness_mm, held)
    state = model.virgin()
    place, normal = point_on(model, state, 30.0, -15.0)
    tool = set_tip(model, state, ball(25.0), place, -normal, 40.0)
    load = Load(tool, 40.0, probe=probe_at(model, 30.0, -15.0), goal_mm=-4.1)
    done = advance(model, state, load, AdvanceSettings(first_mm=0.2, largest_mm=0.5))
    print(f"strike: {done.outcome.value}, {done.force_N:.0f} N, travel {done.travel_mm:.2f} mm")
    return np.array([probe_at(model, float(a), float(b)).read(done.state.displacement)
                     for a, b in zip(x, y, strict=True)])


def wide_bowl(x: Array, y: Array) -> Array:
    """d [mm] of `aluminium-bowl`: 150 x 120 mm, turned by 25 degrees, 2.5 mm deep, crown 0.12."""
    c, s = np.cos(np.radians(25.0)), np.sin(np.radians(25.0))
    u, v = c * (x + 20.0) + s * (y - 10.0), c * (y - 10.0) - s * (x + 20.0)
    return profile((u / 75.0) ** 2 + (v / 60.0) ** 2, 2.5, 0.12)


def gauge_places(x_mm: float, y_mm: float) -> Array:
    """(n, 2) places on rings round a centre, every second ring turned, rounded to whole mm."""
    places = []
    for k, (radius, n) in enumerate(RINGS):
        angle = 2.0 * np.pi * (np.arange(n) + 0.5 * (k % 2)) / n
        places.append(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    return np.round(np.vstack(places) + (x_mm, y_mm))


def read_off(d: Array, seed: int) -> Array:
    """d with the gauge's noise, rounded to 0.01 mm (and no minus zero)."""
    noise = np.random.default_rng(seed).normal(0.0, NOISE_MM, d.shape)
    return np.round(d + noise, 2) + 0.0


def write_first_dent(file: Path) -> None:
    """`first-dent/gauge.csv`: scattered gauge points."""
    places = gauge_places(30.0, -15.0)
    d = read_off(struck_dent(places[:, 0], places[:, 1]), seed=1)
    rows = [f"{x:.0f},{y:.0f},{v:.2f}" for (x, y), v in zip(places, d, strict=True)]
    head = [
        "# Invented, not measured: a struck dent of our own making, written by make_demo_data.py.",
        "# Depth gauge against the undamaged shape, low negative, high positive; noise 0.02 mm.",
        "x_mm,y_mm,d_mm",
    ]
    file.write_text("\n".join(head + rows) + "\n", encoding="utf-8")


def write_aluminium_bowl(file: Path) -> None:
    """`aluminium-bowl/grid.csv`: depths on a grid of 12 mm."""
    x, y = np.arange(-156.0, 121.0, 12.0), np.arange(-110.0, 131.0, 12.0)
    d = read_off(wide_bowl(x[None, :], y[:, None]), seed=2)
    write_grid(file, [
        "# Invented, not measured: a shallow bowl of our own making, written by make_demo_data.py.",
        "# Depth in mm against the undamaged shape, low negative, high positive; noise 0.02 mm.",
    ], x, y, d, 2)


def write_grid(file: Path, head: list[str], x: Array, y: Array, d: Array, digits: int) -> None:
    """A grid file: comment lines, x along the first row, y down the first column, mm."""
    rows = [",".join(["y\\x"] + [f"{place:.0f}" for place in x])]
    rows += [",".join([f"{place:.0f}"] + [f"{v:.{digits}f}" for v in row])
             for place, row in zip(y, d, strict=True)]
    file.write_text("\n".join(head + rows) + "\n", encoding="utf-8")


ROUGH_MM = 0.05
"""Noise of readings of deep damage, taken quickly."""


def places_along(line: list[tuple[float, float]], step_mm: float) -> tuple[Array, Array]:
    """Lengths (n,) along a straight line at about a step, and their places (n, 2), mm."""
    a, b = np.array(line, dtype=float)
    whole = float(np.hypot(*(b - a)))
    s = np.linspace(0.0, whole, round(whole / step_mm) + 1)
    return s, a + s[:, None] * (b - a) / whole


def write_deep_panel(folder: Path, x_mm: Array, y_mm: Array, step_mm: float, seed: int) -> None:
    """`gauge.csv` on a coarse grid and `sections.csv` along the case's sections."""
    for name in ("gauge.csv", "sections.csv"):
        (folder / name).touch()
    truth, case = load_case(folder / "truth.yaml"), load_case(folder / "case.yaml")
    assert truth.dent is not None
    assert case.dent is not None
    work = make_workpiece(truth)
    struck = strike_given(work, truth.dent.blows or (), progress=print)
    field = field_of_state(work, struck.state)
    rng = np.random.default_rng(seed)

    def read(x: Array, y: Array) -> Array:
        return np.round(field(x, y) + rng.normal(0.0, ROUGH_MM, x.shape), 1) + 0.0

    invented = ["# Invented, not measured: damage of our own making, written by make_demo_data.py.",
                "# Gauge against the undamaged shape, low negative, high positive; noise 0.05 mm."]
    x, y = (a.ravel() for a in np.meshgrid(x_mm, y_mm))
    rows = [f"{a:.0f},{b:.0f},{v:.1f}" for a, b, v in zip(x, y, read(x, y), strict=True)]
    (folder / "gauge.csv").write_text("\n".join([*invented, "x_mm,y_mm,d_mm", *rows]) + "\n",
                                      encoding="utf-8")
    rows = []
    for section in case.dent.sections or ():
        ends = [(section.line[k].x_mm, section.line[k].y_mm) for k in (0, -1)]
        s, places = places_along(ends, step_mm)
        d = read(places[:, 0], places[:, 1])
        rows += [f"{section.name},{a:.1f},{v:.1f}" for a, v in zip(s, d, strict=True)]
    (folder / "sections.csv").write_text("\n".join([*invented, "section,s_mm,d_mm", *rows]) + "\n",
                                         encoding="utf-8")


def write_left_panel(file: Path) -> None:
    """`left-panel`: one deep bowl, its crown, the kinked lower edge."""
    write_deep_panel(file.parent, np.linspace(-240.0, 240.0, 9), np.linspace(-170.0, 180.0, 8),
                     22.0, seed=3)


def write_right_panel(file: Path) -> None:
    """`right-panel`: two bowls, a curved crease, a high, the kinked lower edge."""
    write_deep_panel(file.parent, np.linspace(-330.0, 330.0, 12), np.linspace(-190.0, 190.0, 7),
                     22.0, seed=4)


LINE_RADIUS_MM, LINE_TURN_RAD = 60.0, np.radians(16.0)
"""Radius of the feature line's rounding, and the angle by which the surface turns across it."""


def folded_panel(x: Array, y: Array) -> Array:
    """z [mm] of `feature-line`: radii of 1800 and 900 mm, and a feature line along y = 0.

    Across the line z falls on both sides as a hyperbola does, with the line's radius at its top and
    half the turn as the slope of each side.
    """
    slope = np.tan(0.5 * LINE_TURN_RAD)
    near = LINE_RADIUS_MM * slope  # so that the curvature at the top is 1 / radius
    return (-x**2 / (2.0 * 1800.0) - y**2 / (2.0 * 900.0)
            - slope * (np.hypot(y, near) - near))


def write_feature_line(file: Path) -> None:
    """`feature-line/heights.csv`: the undamaged surface, with rows close together at the line."""
    x = np.arange(-220.0, 221.0, 40.0)
    half = np.concatenate([np.arange(0.0, 30.0, 2.0), np.arange(30.0, 60.0, 6.0),
                           np.arange(60.0, 161.0, 20.0)])
    y = np.concatenate([-half[:0:-1], half])
    write_grid(file, [
        "# Invented, not measured: an undamaged panel's heights, by make_demo_data.py.",
        "# A feature line along y = 0 turns the surface by 16 degrees with a radius of 60 mm.",
    ], x, y, folded_panel(x[None, :], y[:, None]), 4)


WRITERS = {"feature-line": (write_feature_line, "heights.csv"),
           "left-panel": (write_left_panel, "gauge.csv"),
           "right-panel": (write_right_panel, "gauge.csv"),
           "first-dent": (write_first_dent, "gauge.csv"),
           "aluminium-bowl": (write_aluminium_bowl, "grid.csv")}


def main(names: list[str]) -> None:
    """Write the files of the cases named, of all if none is."""
    for name in names or list(WRITERS):
        write, file = WRITERS[name]
        (FOLDER / name).mkdir(exist_ok=True)
        write(FOLDER / name / file)


if __name__ == "__main__":
    main(sys.argv[1:])
