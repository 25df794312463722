"""A described bowl, and the dent nearest to it that the sheet takes by itself.

Run: python benchmarks/natural_shapes.py [--write]

The same drawing twice: taken as it is (imprint, which stretches the sheet into any shape) and made
natural (blows that come nearest). Compared are the plastic area surplus, which no tool takes out,
and the shapes. --write keeps benchmarks/results/natural_shapes.csv and
docs/pictures/natural-shapes.png. The panel and the drawing are invented; nothing is measured.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from simkit.case.load import load_case
from simkit.files import write_table
from simkit.history.given import field_of_state
from simkit.history.reconstruct import reconstruct
from simkit.repair.steprow import area_surplus_mm2
from simkit.repair.workpiece import make_workpiece
from simkit.show.style import colour_limit, colour_scale, new_figure, place, save, title

HERE = Path(__file__).parent
COLUMNS = ("taken", "depth_mm", "high_mm", "surplus_mm2", "differs_rms_mm", "differs_worst_mm",
           "cpu_s", "words")
SHAPE: dict[str, Any] = {"kind": "bowl", "x_mm": 0, "y_mm": 0, "depth_mm": 8, "length_mm": 150,
                         "width_mm": 110}
CASE: dict[str, Any] = {
    "format": 1, "title": "Described bowl", "about": "Invented for this comparison.",
    "panel": {"surface": "curved", "length_x_mm": 460, "length_y_mm": 340, "radius_x_mm": 1200,
              "radius_y_mm": 600, "thickness_mm": 0.75, "grade": "DC04",
              "edges": dict.fromkeys(("left", "right", "bottom", "top"), "held")},
    "mesh": {"fine_mm": 9, "coarse_mm": 25}}
WAYS = {"as drawn": ({"shapes": [SHAPE]}, {"method": "imprint"}),
        "made natural": ({"shapes": [SHAPE], "natural": True}, {"method": "strike"})}


Maps = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def taken(name: str) -> tuple[dict[str, str], Maps]:
    """The row of one way, and x, y (mm), the drawing and what the sheet took (mm)."""
    dent, history = WAYS[name]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "case.yaml").write_text(json.dumps(
            {**CASE, "dent": dent, "history": history}), encoding="utf-8")
        work = make_workpiece(load_case(folder))
        spent = time.process_time()
        done = reconstruct(work, progress=lambda text: print("   ", text, flush=True))
        spent = time.process_time() - spent
    assert work.depth is not None
    x, y = np.linspace(-160, 160, 129), np.linspace(-130, 130, 105)
    xx, yy = np.meshgrid(x, y)
    drawn, found = work.depth(xx, yy), field_of_state(work, done.state)(xx, yy)
    gap = (found - drawn)[np.abs(drawn) > 0.05]
    row = {"taken": name, "depth_mm": f"{-found.min():.2f}", "high_mm": f"{found.max():.2f}",
           "surplus_mm2": f"{area_surplus_mm2(work.model, done.state):.1f}",
           "differs_rms_mm": f"{np.sqrt(np.mean(gap**2)):.2f}",
           "differs_worst_mm": f"{np.abs(gap).max():.2f}", "cpu_s": f"{spent:.0f}",
           "words": "; ".join(blow.words() for blow in done.blows) or "imprint"}
    return row, (x, y, drawn, found)


def draw(shapes: dict[str, Maps], rows: list[dict[str, str]], file: Path) -> None:
    """Maps of both, and sections through the middle."""
    fig = new_figure(15.0, 5.5)
    title(fig, "A bowl as drawn and as the sheet takes it",
          "plastic area surplus: " + ", ".join(f"{r['taken']} {r['surplus_mm2']} mm\u00b2"
                                               for r in rows))
    limit = colour_limit(*(one[3] for one in shapes.values()))
    colours, norm = colour_scale(limit)
    for left, (name, (x, y, _, found)) in zip((0.8, 5.3), shapes.items(), strict=True):
        ax = place(fig, left, 0.7, 4.2, 3.4)
        image = ax.imshow(found, extent=(x[0], x[-1], y[0], y[-1]), origin="lower", cmap=colours,
                          norm=norm, aspect="equal")
        ax.contour(x, y, found, levels=[0.1], colors="#8a1c1c", linewidths=1.0)
        ax.set_title(f"{name} (line: +0.1 mm)")
        ax.set_xlabel("x (mm)")
        ax.set_ylabel("y (mm)" if left < 1.0 else "")
        ax.tick_params(labelleft=left < 1.0)
    fig.colorbar(image, cax=place(fig, 9.7, 0.9, 0.15, 3.0), label="deviation (mm)")
    ax = place(fig, 11.3, 0.7, 3.5, 3.4)
    middle = len(next(iter(shapes.values()))[1]) // 2
    for name, (x, _, _, found) in shapes.items():
        ax.plot(x, found[middle], label=name)
    x, _, drawn, _ = shapes["as drawn"]
    ax.plot(x, drawn[middle], "k:", label="drawing")
    ax.set_xlabel("x (mm), y = 0")
    ax.set_ylabel("deviation (mm)")
    ax.legend(frameon=False, fontsize=9)
    save(fig, file)


def main() -> None:
    """Both ways, side by side."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    rows, shapes = [], {}
    for name in WAYS:
        row, shapes[name] = taken(name)
        rows.append(row)
        print(row, flush=True)
    if options.write:
        write_table(HERE / "results" / "natural_shapes.csv", COLUMNS, rows)
        draw(shapes, rows, HERE.parent / "docs" / "pictures" / "natural-shapes.png")


if __name__ == "__main__":
    main()
