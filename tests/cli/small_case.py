"""A case of our own, small enough to be repaired within seconds; invented."""

from __future__ import annotations

from pathlib import Path

TEXT = """\
format: 1
title: Small bowl
about: Invented for the tests.
panel:
  surface: flat
  length_x_mm: 200
  length_y_mm: 160
  thickness_mm: 0.8
  grade: DC04
  edges: {left: held, right: held, bottom: held, top: held}
mesh: {fine_mm: 8, coarse_mm: 20, layers: 3}
dent:
  shapes:
    - {kind: bowl, x_mm: 5, y_mm: -4, length_mm: 70, width_mm: 60, depth_mm: 1.8, crown_mm: 0.15}
history: {method: imprint, rounds: 10, match_mm: 0.03}
kit: {tabs: [round-25], tips: [ball-12], glue: standard-hot-melt}
limits: {steps: 3}
goal: {tolerance_mm: 0.05, slope_mrad: 1.0}
strategies: [crown-first, worst-spot-first]
"""


def write_case(folder: Path, old: str = "", new: str = "") -> Path:
    """The case in a folder, with one piece of text replaced."""
    assert old in TEXT
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "case.yaml"
    file.write_text(TEXT.replace(old, new) if old else TEXT, encoding="utf-8")
    return file
