"""Draw the rooms of the package and who imports whom, from the imports themselves.

    python benchmarks/structure.py [--write]

Prints the rooms floor by floor with the number of imports between them, and any cycle of rooms.
``--write`` draws docs/pictures/structure.png, which DEVELOPERS.md shows. A room on a higher floor
may import from lower ones; an arrow runs from the importing room to the imported one.
"""

from __future__ import annotations

import argparse
import ast
import sys
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
GROUND = ("aside", "errors", "exit_codes", "faults", "files", "folders", "intake", "streams",
          "units", "words")
"""Modules that every room may use; their arrows are left out of the picture."""
PICTURE = ROOT / "docs" / "pictures" / "structure.png"


def floors() -> list[list[str]]:
    """Rooms by floor, the highest first, as pyproject.toml's contract states them."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    layers = data["tool"]["importlinter"]["contracts"][0]["layers"]
    return [[name.strip().removeprefix("simkit.") for name in layer.split("|")]
            for layer in layers]


def imports() -> Counter[tuple[str, str]]:
    """Number of modules of one room that import from another."""
    found: Counter[tuple[str, str]] = Counter()
    for file in sorted((ROOT / "simkit").rglob("*.py")):
        parts = file.relative_to(ROOT / "simkit").with_suffix("").parts
        if parts == ("__init__",):
            continue
        room = parts[0]
        tree = ast.parse(file.read_text("utf-8"))
        targets = {node.module.split(".")[1] for node in ast.walk(tree)
                   if isinstance(node, ast.ImportFrom) and node.module
                   and node.module.startswith("simkit.")}
        found.update((room, target) for target in targets if target != room)
    return found


def cycle(arrows: Counter[tuple[str, str]]) -> list[str]:
    """A cycle of rooms, or nothing."""
    below: dict[str, set[str]] = {}
    for upper, lower in arrows:
        below.setdefault(upper, set()).add(lower)
    done: set[str] = set()

    def visit(room: str, path: list[str]) -> list[str]:
        if room in path:
            return [*path[path.index(room):], room]
        if room in done:
            return []
        for lower in sorted(below.get(room, ())):
            found = visit(lower, [*path, room])
            if found:
                return found
        done.add(room)
        return []

    return next((found for room in sorted(below) if (found := visit(room, []))), [])


def purpose(room: str) -> str:
    """First sentence of the room's docstring."""
    place = ROOT / "simkit" / room
    file = place / "__init__.py" if place.is_dir() else place.with_suffix(".py")
    text = ast.get_docstring(ast.parse(file.read_text("utf-8"))) or ""
    return " ".join(text.split("\n\n")[0].split())


def draw(arrows: Counter[tuple[str, str]]) -> Path:
    """The rooms as boxes on their floors, arrows as thick as their imports are many."""
    from matplotlib.figure import Figure

    levels = floors()
    fig = Figure(figsize=(13.0, 0.98 * len(levels) + 0.7), dpi=110)
    ax = fig.add_axes((0.01, 0.01, 0.98, 0.94))
    at: dict[str, tuple[float, float]] = {}
    for level, rooms in enumerate(levels):
        y = len(levels) - level
        for k, room in enumerate(rooms):
            at[room] = ((k + 0.5) / len(rooms) * 13.0, float(y))
    for (upper, lower), count in arrows.items():
        if upper not in at or lower not in at or lower in GROUND:
            continue
        (x0, y0), (x1, y1) = at[upper], at[lower]
        ax.annotate("", (x1, y1 + 0.27), (x0, y0 - 0.27), arrowprops={
            "arrowstyle": "-|>", "color": "#8aa4b5", "alpha": 0.55, "shrinkA": 0, "shrinkB": 0,
            "linewidth": 0.5 + 0.22 * count, "mutation_scale": 8})
    for room, (x, y) in at.items():
        ax.text(x, y + 0.08, room, ha="center", va="center", fontsize=11, fontweight="bold",
                color="#1d2a33", zorder=3, bbox={"boxstyle": "round,pad=0.5", "fc": "#f6f2e7",
                                                 "ec": "#1d2a33", "lw": 0.8})
    ax.set_xlim(0, 13)
    ax.set_ylim(0.4, len(levels) + 0.6)
    ax.axis("off")
    fig.text(0.012, 0.972, "Rooms of simkit: higher imports lower; line width: modules that do "
             "(ground floor left out)", fontsize=12, fontweight="bold", color="#1d2a33")
    fig.savefig(PICTURE)
    return PICTURE


def main() -> int:
    """Print the structure; draw it if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--write", action="store_true", help="draw docs/pictures/structure.png")
    wanted = parser.parse_args()
    arrows = imports()
    for rooms in floors():
        for room in rooms:
            print(f"{room:<14}{purpose(room)}")
    loop = cycle(arrows)
    print("no cycle of rooms" if not loop else "cycle: " + " -> ".join(loop))
    if wanted.write:
        print(draw(arrows).relative_to(ROOT))
    return 1 if loop else 0


if __name__ == "__main__":
    sys.exit(main())
