"""The benchmark sheet's yield loci over its measured points, and what directions do to a dent.

Run: python benchmarks/yield_loci.py [--picture FILE] [--dent]

Draws docs/pictures/yield-loci.png: locus of principal stresses along and across rolling, yield and
r-value against the angle, for Yld2004-18p, Yld2000-2d,
Hill 1948 and von Mises, with the measured points.
``--dent`` presses a ball of 25 mm into a curved panel of 1 mm, takes it away and prints depth,
crown, force and processor seconds for each criterion.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from common import say

from simkit.inspection.sampling import make_sampling, point_on
from simkit.material.criterion import yld2000
from simkit.material.grades import load_grade
from simkit.material.locus import Criterion
from simkit.mechanics.contact.attach import set_tip
from simkit.mechanics.model import build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import AdvanceSettings, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, Window, rectangle_patch
from simkit.show.style import GREY, STRATEGY_COLOURS, look, new_figure, save
from simkit.tool.bodies import ball

PICTURE = Path(__file__).resolve().parents[1] / "docs" / "pictures" / "yield-loci.png"
GRADE = load_grade("AA6016-T4-rolled")
MEASURED = GRADE.directions()
MISES = yld2000(np.ones(8), 2)


def criteria() -> dict[str, tuple[Criterion, str]]:
    """Criteria by the name on the picture, with a colour."""
    assert MEASURED is not None
    named = (("Yld2004-18p, exponent 8", "yld2004-18p"), ("Yld2000-2d, exponent 8", "yld2000-2d"),
             ("Hill 1948 by r-values", "hill48"))
    found: dict[str, tuple[Criterion, str]] = {}
    for (label, name), colour in zip(named, STRATEGY_COLOURS, strict=False):
        criterion = MEASURED.criterion(name)
        assert criterion is not None
        found[label] = criterion, colour
    return found | {"von Mises": (MISES, GREY)}


def draw(file: Path) -> None:
    """Three panels: locus, yields, r-values."""
    assert MEASURED is not None
    with look():
        figure = new_figure(10.0, 3.9)
        locus, yields, r_values = figure.subplots(1, 3)
        around, degrees = np.linspace(0.0, 2.0 * np.pi, 721), np.linspace(0.0, 90.0, 181)
        way = np.stack([np.cos(around), np.sin(around), 0.0 * around], axis=-1)
        for name, (criterion, colour) in criteria().items():
            size = 1.0 / criterion.size(way)
            locus.plot(size * way[:, 0], size * way[:, 1], color=colour, label=name)
            yields.plot(degrees, criterion.yield_along(np.radians(degrees)), color=colour)
            r_values.plot(degrees, criterion.r_along(np.radians(degrees)), color=colour)
        dots = {"color": "black", "marker": "o", "linestyle": "none", "markersize": 4.0}
        locus.plot([1.0, 0.0, MEASURED.equibiaxial], [0.0, MEASURED.yields[-1],
                                                      MEASURED.equibiaxial], **dots,
                   label="measured")
        locus.axvline(MEASURED.plane_0, color="black", linewidth=0.6, linestyle=":")
        locus.axhline(MEASURED.plane_90, color="black", linewidth=0.6, linestyle=":",
                      label="measured in plane strain")
        yields.plot(MEASURED.angle_deg, MEASURED.yields, **dots)
        r_values.plot(MEASURED.angle_deg, MEASURED.r_values, **dots)
        locus.set(xlabel="stress along rolling / yield there", ylabel="stress across rolling",
                  xlim=(-1.35, 1.35), ylim=(-1.35, 1.9), title="Locus without shear")
        locus.set_aspect("equal")
        locus.legend(loc="upper left", fontsize=5.6, ncols=2, columnspacing=0.8)
        for axes, title in ((yields, "Yield in tension"), (r_values, "r-value")):
            axes.set(xlabel="angle to rolling, degrees", title=title)
            axes.set_xticks(range(0, 91, 15))
        yields.set_ylim(0.8, 1.1)
        r_values.set_ylim(0.0, 1.1)
        figure.tight_layout()
        save(figure, file)


def dent() -> None:
    """A struck dent by each criterion."""
    sheet = GRADE.sheet()
    kinds = {"von Mises": None} | {name: c for name, (c, _) in criteria().items() if c is not MISES}
    for name, criterion in kinds.items():
        patch = rectangle_patch((-120.0, 120.0), (-120.0, 120.0), Curvature(1200.0, 600.0), 5.0,
                                12.0, window=Window(-45.0, 45.0, -45.0, 45.0))
        model = build_model(patch, replace(sheet, criterion=criterion), 1.0,
                            dict.fromkeys(SIDES, HELD))
        state = model.virgin()
        at, normal = point_on(model, state, 0.0, 0.0)
        began = time.process_time()
        done = advance(model, state, Load(set_tip(model, state, ball(25.0), at, -normal, 8.0), 6.0),
                       AdvanceSettings(first_mm=0.1, largest_mm=0.25))
        took = time.process_time() - began
        field = make_sampling(patch, (-100.0, 100.0, -100.0, 100.0), 2.0).field(done.state)
        print(f"{name:24s} depth {-np.nanmin(field.d_mm):.3f} mm, crown "
              f"{np.nanmax(field.d_mm):.3f} mm, force {done.force_N:.0f} N, plastic strain "
              f"{done.state.points[..., 3].max():.4f}, books {done.energy_error_pct:.2f} %, "
              f"{done.iterations} iterations, {took:.1f} s", flush=True)


def main() -> None:
    """Draw; press dents where asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--picture", type=Path, default=PICTURE)
    parser.add_argument("--dent", action="store_true")
    asked = parser.parse_args()
    draw(asked.picture)
    say(f"drawn: {asked.picture.name}")
    if asked.dent:
        dent()


if __name__ == "__main__":
    main()
